"""Simulated packs that are emptied or filled, and what the core said meanwhile."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from tocsin.core.engine import step
from tocsin.core.events import AlarmFact, Reading
from tocsin.core.model import Sample
from tocsin.core.state import fresh
from tocsin_drivers.simbus.cell import CellDesign
from tocsin_drivers.simbus.pack import Pack, PackDesign, Sensors, spread_cells

if TYPE_CHECKING:
    from collections.abc import Mapping

    from tocsin.core.engine import Outcome
    from tocsin.core.forecast import Forecast
    from tocsin.core.forecast.pack import Tracker
    from tocsin.core.site import Site

NAMEPLATE_AH = 280.0
STEP_S = 5
SETTLED_S = 60
"""Until then the permits of a core that has just begun are not yet given."""

LIFELIKE = Sensors(
    voltage_noise_mv=2.0,
    current_noise_a=0.1,
    temp_noise_k=0.05,
    current_gain=1.005,
    current_offset_a=0.1,
)
"""Half a percent, a tenth of an ampere, two millivolts."""


def pack_of(
    *,
    charge: float,
    temp_c: float = 25.0,
    seed: int = 1,
    cells: int = 4,
    ahead_ah: Mapping[int, float] | None = None,
    counter_pct: float | None = None,
) -> Pack:
    """Return a pack whose cells differ as cells of one batch do."""
    design = CellDesign(capacity_ah=NAMEPLATE_AH)
    return Pack(
        PackDesign(
            name="left",
            cells=spread_cells(cells, design, seed=seed),
            nameplate_ah=NAMEPLATE_AH,
            missing_ah=(1 - charge) * NAMEPLATE_AH,
            ahead_ah=ahead_ah or {},
            temp_c=temp_c,
            wiring_ohm=0.0002,
            sensors=LIFELIKE,
            counter_pct=counter_pct,
            seed=seed,
        )
    )


def sample_of(pack: Pack) -> Sample:
    """Return what the pack publishes, as a driver would hand it over."""
    said = pack.reading
    return Sample(
        cells_mv=said.cells_mv,
        temps_dc=said.temps_dc,
        current_ma=said.current_da * 100,
        voltage_mv=said.voltage_mv,
        soc_permille=said.soc_pct * 10,
        flags=said.flags,
    )


@dataclass(kw_only=True)
class Run:
    """What was said until the protection cut off, or time was up.

    Attributes:
        told: (second, forecasts), one a step of the forecast.
        raised_s: When each alarm was raised first.
        facts: Every alarm's every change.
        cut_s: When the protection cut off; None if it did not.
        top_mv: Highest that any cell was seen at.
        permitted: Charge was still permitted at the end.
    """

    told: list[tuple[float, tuple[Forecast, ...]]] = field(default_factory=list)
    raised_s: dict[str, float] = field(default_factory=dict)
    facts: list[AlarmFact] = field(default_factory=list)
    cut_s: float | None = None
    top_mv: int = 0
    permitted: bool = True

    def at(self, before_s: float) -> tuple[float, tuple[Forecast, ...]]:
        """Return the newest (second, forecasts) so long before the cut-off."""
        assert self.cut_s is not None
        return [row for row in self.told if row[0] <= self.cut_s - before_s][-1]

    def lead_s(self, alarm: str) -> float:
        """Return how long before the cut-off *alarm* was raised."""
        assert self.cut_s is not None
        return self.cut_s - self.raised_s[alarm]


def _note(run: Run, tracker: Tracker | None, second: int) -> None:
    if tracker is not None and tracker.forecasts and tracker.looked_s == second:
        run.told.append((float(second), tracker.forecasts))


def through_core(
    pack: Pack, site: Site, *, rate: float, ambient_c: float, most_s: int = 60_000
) -> Run:
    """Let the core watch the pack until the protection cuts off.

    A charge ends when the core no longer permits it.
    """
    run, state, second = Run(), fresh(site, now_ms=0), 0
    while second < most_s and run.cut_s is None and (rate < 0 or run.permitted):
        second += STEP_S
        pack.advance(STEP_S, rate * NAMEPLATE_AH, ambient_c)
        said = sample_of(pack)
        outcome = step(
            state, Reading(at_ms=second * 1000, pack="left", sample=said), site
        )
        state = outcome.state
        run.top_mv = max(run.top_mv, *said.cells_mv)
        _note(run, state.packs[0].tracker, second)
        _hear(run, outcome)
        run.permitted = second <= SETTLED_S or _permits_charge(outcome)
        if pack.protector.discharge_open if rate < 0 else pack.protector.charge_open:
            run.cut_s = float(second)
    return run


def _hear(run: Run, outcome: Outcome) -> None:
    for fact in outcome.facts:
        if isinstance(fact, AlarmFact):
            run.facts.append(fact)
            if fact.state == "unacknowledged":
                run.raised_s.setdefault(fact.alarm, fact.at_ms / 1000)


def _permits_charge(outcome: Outcome) -> bool:
    return all(d.energised for d in outcome.demands if d.output == "charge")
