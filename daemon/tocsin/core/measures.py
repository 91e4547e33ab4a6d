"""Readings to measures: what each pack shows, as integers in the measure's unit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from tocsin.core.forecast.feed import tracked
from tocsin.core.forecast.result import TOO_NEW, Forecast, Limit
from tocsin.core.merge import whole, without
from tocsin.core.model import Flag, Lent, Pack, Sample
from tocsin.core.rules import Measure

if TYPE_CHECKING:
    from collections.abc import Callable

    from tocsin.core.forecast.pack import Tracker
    from tocsin.core.site import Chemistry, Site

LOADED_PERMILLE = 100
"""From 0.1C on, values that stand still are suspect; common practice, no source."""

FULL_PERMILLE = 1_000
LARGEST_MA = 20_000_000
"""No bank gives or takes more; wide on purpose: common practice, no source."""

LONGEST_TRAIL = 6
"""A trail of readings is kept this many rise windows at most."""

CHARGE_FLAGS = frozenset(
    {Flag.CHARGE_REFUSED, Flag.HIGH_VOLTAGE_TRIP, Flag.COLD_TRIP, Flag.HOT_TRIP}
)
DISCHARGE_FLAGS = frozenset({Flag.DISCHARGE_REFUSED, Flag.LOW_VOLTAGE_TRIP})


@dataclass(frozen=True, slots=True, kw_only=True)
class PackState:
    """What the core believes of one pack.

    Attributes:
        heard_ms: When the newest good reading came; before one, when we started.
        online: The newest good reading is not stale.
        good: Good readings in a row, since the start or the last loss; once there
            are enough, a bad one does not break the row.
        trouble: Why the newest poll gave nothing; empty when it gave something.
        sample: What is known of the pack: what it says itself, and what it is lent.
        lent: What of it others say.
        still_ms: How long every value has stood still under load.
        beat_ms: When the pack's own counter last moved.
        trail: (at_ms, cells_mv) of the last readings, oldest first.
        series: Cells in series; a pack of several strings says a multiple of it.
        tracker: What the forecast has learned of the pack; None before a reading
            that it can use.
    """

    heard_ms: int
    online: bool = False
    good: int = 0
    trouble: str = ""
    sample: Sample | None = None
    lent: tuple[Lent, ...] = ()
    still_ms: int = 0
    beat_ms: int = 0
    trail: tuple[tuple[int, tuple[int, ...]], ...] = ()
    series: int = 0
    tracker: Tracker | None = None

    @property
    def own(self) -> Sample | None:
        """Return what the pack says itself."""
        if self.sample is None or not self.lent:
            return self.sample
        return without(self.sample, self.lent)

    @property
    def has_current(self) -> bool:
        """Return True while somebody says the pack's current."""
        return self.sample is not None and self.sample.current_ma is not None

    def forecast(self, limit: Limit) -> Forecast | None:
        """Return what is foretold of *limit*; None before the first forecast."""
        if self.tracker is None or (self.sample is not None and not self.has_current):
            return None
        told = self.tracker.forecasts
        return next((each for each in told if each.limit is limit), None)

    def foretold(self) -> tuple[Forecast, ...]:
        """Return a forecast of every limit, unknown ones with their reason."""
        if not self.online:
            reason = "nothing is heard of this pack"
        elif self.tracker is None:
            reason = "the pack says no current or no cells, or its curve is not known"
        elif not self.has_current:
            reason = "nothing says the pack's current now"
        elif not self.tracker.forecasts:
            reason = TOO_NEW
        else:
            return self.tracker.forecasts
        return tuple(Forecast(limit=limit, reason=reason) for limit in Limit)


def refusal(sample: Sample, pack: Pack, chemistry: Chemistry) -> str:
    """Return why *sample* cannot be true, or an empty string if it can."""
    cells = sample.cells_mv
    if len(cells) % pack.cells:
        return f"{len(cells)} cells read, {pack.cells} expected, or several strings"
    low_mv, high_mv = chemistry.possible_mv
    spoken = (*cells, *_present(sample.low_cell_mv, sample.high_cell_mv))
    if spoken and not (low_mv <= min(spoken) and max(spoken) <= high_mv):
        worst = min(spoken) if min(spoken) < low_mv else max(spoken)
        which = f"cell {cells.index(worst) + 1}" if worst in cells else "a cell"
        return f"{which} at {worst / 1000:.3f} V is impossible"
    temps = sample.temps_dc
    low_dc, high_dc = chemistry.possible_dc
    if temps and not (low_dc <= min(temps) and max(temps) <= high_dc):
        worst = min(temps) if min(temps) < low_dc else max(temps)
        return f"sensor {temps.index(worst) + 1} at {worst / 10:.1f} degC is impossible"
    soc = sample.soc_permille
    if soc is not None and not 0 <= soc <= FULL_PERMILLE:
        return f"a charge of {soc / 10:.1f} % is impossible"
    if abs(sample.current_ma or 0) > LARGEST_MA:
        return f"a current of {(sample.current_ma or 0) / 1000:.0f} A is impossible"
    return _contradiction(sample, pack, chemistry)


def _contradiction(sample: Sample, pack: Pack, chemistry: Chemistry) -> str:
    """Return where a pack's own values cannot be true together."""
    low_mv, high_mv = sample.low_cell_mv, sample.high_cell_mv
    if low_mv is not None and high_mv is not None and low_mv > high_mv:
        said = f"lowest cell {low_mv / 1000:.3f} V, highest {high_mv / 1000:.3f} V"
        return f"{said}: a contradiction"
    # None at all may be true: the protection has opened, and we see its dead side.
    voltage_mv, most_mv = sample.voltage_mv, chemistry.possible_mv[1] * pack.cells
    if voltage_mv is not None and not 0 <= voltage_mv <= most_mv:
        said = f"{voltage_mv / 1000:.2f} V"
        return f"a pack of {pack.cells} cells in series at {said} is impossible"
    return ""


def heard(
    old: PackState,
    sample: Sample,
    at_ms: int,
    site: Site,
    lent: tuple[Lent, ...] = (),
) -> PackState:
    """Return the pack's state after a good reading, and what it is *lent* beside it."""
    known = whole(sample, lent)
    return PackState(
        heard_ms=at_ms,
        online=True,
        good=old.good + 1,
        sample=known,
        lent=lent,
        still_ms=_still_ms(old, sample, at_ms, site, flows_ma=known.current_ma),
        beat_ms=at_ms
        if old.sample is None or old.sample.beat != sample.beat
        else old.beat_ms,
        trail=_trail(old, sample, at_ms, site.timing.rise_window_ms),
        series=old.series,
        tracker=tracked(old.tracker, known, at_ms, old.series, site),
    )


def _still_ms(
    old: PackState, sample: Sample, at_ms: int, site: Site, *, flows_ma: int | None
) -> int:
    """Time at rest does not count: a resting cell may well stand still.

    Nor does what the pack is lent: that moves while its own gateway is stuck.
    """
    if old.sample is None or sample.cells_mv != old.sample.cells_mv:
        return 0
    own = old.own
    if own is None or _values(sample) != _values(own):
        return 0
    loaded_ma = site.bank.capacity_mah * LOADED_PERMILLE // 1000
    if flows_ma is None or abs(flows_ma) < loaded_ma:
        return old.still_ms
    return old.still_ms + at_ms - old.heard_ms


def _values(sample: Sample) -> tuple[object, ...]:
    """Return what is measured, without the counter that shows a pack is alive."""
    return sample.temps_dc, sample.current_ma, sample.voltage_mv, sample.soc_permille


def _trail(
    old: PackState, sample: Sample, at_ms: int, window_ms: int
) -> tuple[tuple[int, tuple[int, ...]], ...]:
    """Keep the window, or three readings where polling is slower than that."""
    trail = (*old.trail, (at_ms, sample.cells_mv))
    while len(trail) > 3 and trail[1][0] <= at_ms - window_ms:  # noqa: PLR2004
        trail = trail[1:]
    while trail[0][0] < at_ms - LONGEST_TRAIL * window_ms:
        trail = trail[1:]
    return trail


def highest_ahead_mv(
    trail: tuple[tuple[int, tuple[int, ...]], ...], ahead_ms: int
) -> tuple[int, int] | None:
    """Return (millivolt, index) of the cell that will be highest in *ahead_ms*.

    The rate of a cell is the smaller of its rates over the two halves of the trail,
    and never below zero, so that one step of current does not pass for a rise.
    """
    if not trail or not trail[-1][1]:
        return None
    (at_0, first), (at_m, middle), (at_1, last) = (
        trail[0],
        trail[len(trail) // 2],
        trail[-1],
    )
    if not at_0 < at_m < at_1 or not len(first) == len(middle) == len(last):
        return _highest(last)
    early_ms, late_ms = at_m - at_0, at_1 - at_m
    ahead = [
        now
        + max(
            0,
            min((mid - was) * ahead_ms // early_ms, (now - mid) * ahead_ms // late_ms),
        )
        for was, mid, now in zip(first, middle, last, strict=True)
    ]
    return _highest(tuple(ahead))


def allowed_charge_ma(site: Site, coldest_dc: int | None) -> int | None:
    """Return the charge current of one pack that its coldest cell allows.

    None when the coldest cell is not known.
    """
    if coldest_dc is None:
        return None
    rates = [
        rate for from_dc, rate in site.chemistry.charge_map if coldest_dc >= from_dc
    ]
    return site.bank.capacity_mah * (rates[-1] if rates else 0) // 1000


Seen = tuple[int | None, str]
"""A measure's value, and the part of the pack it was seen at: "7" for cell 7."""


def measure(what: Measure, pack: PackState, site: Site, at_ms: int) -> Seen:
    """Return *what* of a pack, for every measure whose scope is a pack."""
    sample = pack.sample
    return (None, "") if sample is None else _READ[what](sample, pack, site, at_ms)


def _present(*values: int | None) -> tuple[int, ...]:
    return tuple(v for v in values if v is not None)


def _highest(values: tuple[int, ...]) -> tuple[int, int]:
    top = max(values)
    return top, values.index(top)


def _lowest_cell(sample: Sample, *_: object) -> Seen:
    if not sample.cells_mv:
        return sample.low_cell_mv, ""
    low = min(sample.cells_mv)
    return low, str(sample.cells_mv.index(low) + 1)


def _highest_cell(sample: Sample, *_: object) -> Seen:
    if not sample.cells_mv:
        return sample.high_cell_mv, ""
    top, index = _highest(sample.cells_mv)
    return top, str(index + 1)


def _ahead(sample: Sample, pack: PackState, site: Site, _: int) -> Seen:
    if not sample.cells_mv:
        return sample.high_cell_mv, ""
    seen = highest_ahead_mv(pack.trail, site.timing.rise_ahead_ms)
    return (None, "") if seen is None else (seen[0], str(seen[1] + 1))


def _spread(sample: Sample, *_: object) -> Seen:
    if sample.cells_mv:
        return max(sample.cells_mv) - min(sample.cells_mv), ""
    if sample.low_cell_mv is None or sample.high_cell_mv is None:
        return None, ""
    return sample.high_cell_mv - sample.low_cell_mv, ""


def _coldest(sample: Sample, *_: object) -> Seen:
    return min(sample.temps_dc, default=None), ""


def _hottest(sample: Sample, *_: object) -> Seen:
    return max(sample.temps_dc, default=None), ""


def _charge(sample: Sample, *_: object) -> Seen:
    return None if sample.current_ma is None else max(0, sample.current_ma), ""


def _discharge(sample: Sample, *_: object) -> Seen:
    return None if sample.current_ma is None else max(0, -sample.current_ma), ""


def _over_allowed(sample: Sample, _: PackState, site: Site, __: int) -> Seen:
    allowed_ma = allowed_charge_ma(site, min(sample.temps_dc, default=None))
    if allowed_ma is None or sample.current_ma is None:
        return None, ""
    return max(0, sample.current_ma) - allowed_ma if sample.current_ma > 0 else 0, ""


def _sum_error(sample: Sample, pack: PackState, *_: object) -> Seen:
    """Return the largest error of a string within the pack; most packs have one."""
    if sample.voltage_mv is None or not sample.cells_mv:
        return None, ""
    series = pack.series or len(sample.cells_mv)
    strings = [
        sum(sample.cells_mv[first : first + series])
        for first in range(0, len(sample.cells_mv), series)
    ]
    return max(abs(sample.voltage_mv - string_mv) for string_mv in strings), ""


def _unchanged(_: Sample, pack: PackState, *__: object) -> Seen:
    return pack.still_ms, ""


def _beat_age(sample: Sample, pack: PackState, _: Site, at_ms: int) -> Seen:
    return None if sample.beat is None else at_ms - pack.beat_ms, ""


def _missing(sample: Sample, pack: PackState, site: Site, at_ms: int) -> Seen:
    del sample
    unsaid = [
        what.value
        for what in site.guarded
        if measure(what, pack, site, at_ms)[0] is None
    ]
    return len(unsaid), ""


def _foretold(limit: Limit, *, is_early: bool = False) -> Callable[..., Seen]:
    def read(_: Sample, pack: PackState, *__: object) -> Seen:
        forecast = pack.forecast(limit)
        if forecast is None:
            return None, ""
        time_ms = forecast.early_ms if is_early else forecast.likely_ms
        return time_ms, forecast.part

    return read


def _surge(_: Sample, pack: PackState, *__: object) -> Seen:
    forecast = pack.forecast(Limit.LOW)
    if forecast is None or forecast.likely_ms is None:
        return None, ""
    return forecast.surge_permille, forecast.part


def _count(flags: frozenset[Flag]) -> Callable[..., Seen]:
    def read(sample: Sample, *_: object) -> Seen:
        return len(sample.flags & flags), ""

    return read


_READ: dict[Measure, Callable[[Sample, PackState, Site, int], Seen]] = {
    Measure.LOWEST_CELL: _lowest_cell,
    Measure.HIGHEST_CELL: _highest_cell,
    Measure.HIGHEST_CELL_AHEAD: _ahead,
    Measure.CELL_SPREAD: _spread,
    Measure.COLDEST: _coldest,
    Measure.HOTTEST: _hottest,
    Measure.CHARGE_CURRENT: _charge,
    Measure.DISCHARGE_CURRENT: _discharge,
    Measure.CHARGE_OVER_ALLOWED: _over_allowed,
    Measure.SUM_ERROR: _sum_error,
    Measure.DATA_AGE: lambda *_: (0, ""),
    Measure.UNCHANGED: _unchanged,
    Measure.BEAT_AGE: _beat_age,
    Measure.MISSING: _missing,
    Measure.REFUSES_CHARGE: _count(CHARGE_FLAGS),
    Measure.REFUSES_DISCHARGE: _count(DISCHARGE_FLAGS),
    Measure.LOW_CELL_TIME: _foretold(Limit.LOW),
    Measure.LOW_CELL_TIME_EARLY: _foretold(Limit.LOW, is_early=True),
    Measure.HIGH_CELL_TIME: _foretold(Limit.HIGH),
    Measure.COLD_TIME: _foretold(Limit.COLD),
    Measure.HOT_TIME: _foretold(Limit.HOT),
    Measure.HOT_LOAD_TIME: _foretold(Limit.HOT_LOAD),
    Measure.SURGE_RISK: _surge,
    Measure.STATE_OF_CHARGE: lambda sample, *_: (sample.soc_permille, ""),
    Measure.PROTECTOR_WARNING: _count(frozenset(Flag) - CHARGE_FLAGS - DISCHARGE_FLAGS),
}
