"""Random sites and histories for properties of the core."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from hypothesis import strategies as st

from core_builders import ALL_LOADS, CHARGE, Player, low_rule, rule, sample, stage
from tocsin.core.commands import OF_OUTPUTS
from tocsin.core.events import (
    CertificatesSeen,
    Command,
    Event,
    InputSeen,
    LastFull,
    LocalTime,
    Reading,
    ReadingFailed,
    Tick,
    Trouble,
    Verb,
)
from tocsin.core.model import Bank, Flag, Pack, Sample
from tocsin.core.plant import GeneratorPlan, HeaterPlan, Input, InputRole
from tocsin.core.rules import Action, Measure, Priority, Role, Rule
from tocsin.core.site import PARTS, Output, Site, Timing
from tocsin_config import load

if TYPE_CHECKING:
    from hypothesis.strategies import SearchStrategy

CELLS = 4
STALE_MS = 10_000

GENERATOR = Action(role=Role.GENERATOR_CALL)
HEATER = Action(role=Role.HEATER_CALL)
LOST = rule(
    "lost",
    measure=Measure.DATA_AGE,
    trip_at=STALE_MS,
    clear_at=5_000,
    off_delay_ms=2_000,
    is_data_loss=True,
    actions=(CHARGE, ALL_LOADS),
)
SMALL_RULES = (
    rule("high", actions=(CHARGE,)),
    rule("high-urgent", trip_at=3_680, clear_at=3_500, actions=(CHARGE, ALL_LOADS)),
    low_rule("low-1", trip_at=3_100, actions=(stage(1),), needs_charge_back=True),
    low_rule("low-2", actions=(stage(2), GENERATOR)),
    low_rule("low-3", trip_at=2_900, actions=(stage(3),), needs_charge_back=True),
    rule("cold", measure=Measure.COLDEST, trip_at=50, clear_at=60, actions=(CHARGE,)),
    rule("chill", measure=Measure.COLDEST, trip_at=60, clear_at=80, actions=(HEATER,)),
    rule(
        "hot",
        measure=Measure.HOTTEST,
        trip_at=500,
        clear_at=450,
        actions=(CHARGE, ALL_LOADS),
    ),
    rule(
        "refused",
        measure=Measure.REFUSES_CHARGE,
        trip_at=1,
        clear_at=0,
        actions=(CHARGE,),
        suppressed_by=("high",),
    ),
    rule("share", measure=Measure.STRING_SHARE, trip_at=300, clear_at=200),
    rule("trouble", measure=Measure.TROUBLE, trip_at=1, clear_at=0),
    rule(
        "certificate-ends",
        measure=Measure.CERTIFICATE_LEFT,
        trip_at=7 * 86_400_000,
        clear_at=8 * 86_400_000,
    ),
    rule("no-start", measure=Measure.FAILED_STARTS, trip_at=1, clear_at=0),
    rule("stuck", measure=Measure.STUCK_CLOSED, trip_at=1, clear_at=0),
    rule("forgotten", measure=Measure.MAINTENANCE_OVER, trip_at=1, clear_at=0),
)
"""One rule of each kind that decides an output, beside LOST, which is always there."""


@dataclass(frozen=True, slots=True, repr=False)
class Told:
    """An event, and what its maker knows of it: a reading may be an impossible one."""

    event: Event
    is_good: bool = False

    def __repr__(self) -> str:
        event = self.event
        if not isinstance(event, Reading):
            return repr(event)
        said = event.sample
        cells_mv, temps_dc, flags = said.cells_mv, said.temps_dc, [*said.flags]
        seen = f"{cells_mv} mV {temps_dc} dC {said.current_ma} mA {flags}"
        return f"{event.at_ms} ms, {event.pack}: {seen}, good: {self.is_good}"


@dataclass(frozen=True, slots=True, repr=False)
class History:
    site: Site
    told: tuple[Told, ...]

    @property
    def events(self) -> tuple[Event, ...]:
        return tuple(told.event for told in self.told)

    @property
    def end_ms(self) -> int:
        return self.told[-1].event.at_ms if self.told else 0

    def __repr__(self) -> str:
        """Leave out what never varies: a whole alarm table fills screens."""
        of = self.site
        rules = [(r.name, r.on_delay_ms, r.off_delay_ms, r.latching) for r in of.rules]
        outputs = [(o.name, o.stage, o.hold_ms, o.min_off_ms) for o in of.outputs]
        where = (of.bank.strings, len(of.bank.packs), rules, outputs, of.timing)
        return f"{where}\n" + "\n".join(map(repr, self.told))

    def played(self) -> Player:
        player = Player(self.site)
        player.play(*self.events)
        return player


@cache
def preset_rules() -> tuple[Rule, ...]:
    """Return the shipped LFP rules of a bank of 100 Ah packs of four cells."""
    text = (
        f"[bank]\ncapacity_ah = 100\ncells_in_series = {CELLS}\n"
        '[[pack]]\nname = "left"\ndriver = "trace"\n'
    )
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "site.toml"
        path.write_text(text, encoding="utf-8")
        return load(path).site.rules


ON_ALARMS = tuple(verb for verb in Verb if verb not in OF_OUTPUTS)
"""Asked for more often: they lead to more states."""


@st.composite
def small_rules(draw: st.DrawFn) -> tuple[Rule, ...]:
    chosen = draw(st.lists(st.sampled_from(SMALL_RULES), min_size=2, unique=True))
    names = {each.name for each in chosen}
    delays = st.sampled_from((0, 0, 2_000, 7_000))
    rules = tuple(
        replace(
            each,
            on_delay_ms=draw(delays),
            off_delay_ms=draw(delays),
            priority=draw(st.sampled_from(Priority)),
            latching=draw(st.integers(0, 4)) == 0,
            realarm_ms=draw(st.sampled_from((0, 30_000))),
            suppressed_by=tuple(n for n in each.suppressed_by if n in names),
        )
        for each in chosen
    )
    return (LOST, *rules)


PLAN = GeneratorPlan(
    start_delay_ms=1_000,
    confirm_ms=8_000,
    confirm_ma=5_000,
    pause_ms=15_000,
    warm_up_ms=1_000,
    cool_down_ms=2_000,
    min_run_ms=10_000,
    min_rest_ms=20_000,
)
HEATER_PLAN = HeaterPlan(
    watts=200,
    joule_per_kelvin=1_000,
    charge_at_ms=0,
    duty_on_ms=5_000,
    duty_off_ms=2_000,
)


def planned(each: Output) -> Output:
    """Return a call as the site file makes it with a table of its own."""
    match each.role:
        case Role.GENERATOR_CALL:
            return replace(each, generator=PLAN, min_on_ms=0, min_off_ms=PLAN.pause_ms)
        case Role.HEATER_CALL:
            return replace(each, heater=HEATER_PLAN, min_on_ms=0)
        case Role.HORN:
            return replace(each, test_at_ms=43_200_000, rated_operations=10)
        case _:
            return each


def wired(outputs: tuple[Output, ...]) -> tuple[Input, ...]:
    """Return an input of every role; the first output is read back."""
    roles = set(InputRole) if outputs else set(InputRole) - {InputRole.READ_BACK}
    return tuple(
        Input(
            name=role.value,
            role=role,
            output=outputs[0].name if role is InputRole.READ_BACK else "",
            mute_ms=20_000,
        )
        for role in sorted(roles)
    )


@st.composite
def some_outputs(draw: st.DrawFn) -> tuple[Output, ...]:
    off_ms = st.sampled_from((0, 1_000, 20_000))
    roles = [Role.CHARGE_PERMIT, *[Role.LOAD_PERMIT] * draw(st.integers(0, 4))]
    calls = (Role.BEACON, Role.GENERATOR_CALL, Role.HEATER_CALL, Role.HORN)
    roles += draw(st.lists(st.sampled_from((*calls, Role.HEARTBEAT)), unique=True))
    return tuple(
        Output(
            name=f"{role.value}-{i}",
            role=role,
            stage=draw(st.integers(1, 3)) if role is Role.LOAD_PERMIT else 0,
            hold_ms=draw(st.sampled_from((0, 5_000, 300_000))),
            min_on_ms=draw(off_ms) if role in calls else 0,
            min_off_ms=draw(off_ms),
        )
        for i, role in enumerate(roles)
    )


@st.composite
def sites(draw: st.DrawFn) -> Site:
    strings, in_series = draw(st.integers(1, 5)), draw(st.integers(1, 2))
    packs = tuple(
        Pack(name=f"{string}{place}", cells=CELLS, string=string)
        for string in "ABCDE"[:strings]
        for place in range(1, in_series + 1)
    )
    timing = Timing(
        stale_ms=STALE_MS,
        good_scans=draw(st.integers(1, 4)),
        shed_settle_ms=draw(st.sampled_from((0, 5_000))),
        restore_gap_ms=draw(st.sampled_from((0, 3_000, 60_000))),
        restore_permille=draw(st.sampled_from((0, 1, 50))),
        horn_cap_ms=draw(st.sampled_from((5_000, 600_000))),
    )
    outputs = draw(some_outputs())
    is_wired = draw(st.integers(0, 2)) == 0
    return Site(
        name="Fern Ridge hut",
        bank=Bank(packs=packs, capacity_mah=100_000),
        rules=draw(st.one_of(st.builds(preset_rules), small_rules())),
        outputs=tuple(map(planned, outputs)) if is_wired else outputs,
        inputs=wired(outputs) if is_wired else (),
        timing=timing,
    )


SHORT_MS = (0, 1, 500, 1_000, 1_000, 2_000, 2_000, 3_000, 5_000)
GAPS_MS = st.sampled_from((*SHORT_MS, 9_999, 10_000, 10_001, 70_000))
MILLIVOLTS = (3_300, 2_850, 2_850, 2_950, 3_080, 3_260, 3_440, 3_500, 3_605, 3_700)
TEMPS_DC = (200, 200, 200, -210, 49, 50, 55, 61, 90, 460, 510)
CURRENTS_MA = (0, 20_000, -20_000, -90_000, 3_000_000)


@st.composite
def possible_samples(draw: st.DrawFn) -> Sample:
    if draw(st.integers(0, 9)) == 0:  # a pack that says next to nothing
        return Sample(current_ma=draw(st.sampled_from(CURRENTS_MA)))
    cell, temp = st.sampled_from(MILLIVOLTS), st.sampled_from(TEMPS_DC)
    return sample(
        *[3_300] * (CELLS - 1),
        draw(cell),
        temps_dc=(200, draw(temp)),
        current_ma=draw(st.sampled_from(CURRENTS_MA)),
        flags=draw(st.sampled_from((frozenset(), frozenset({Flag.CHARGE_REFUSED})))),
    )


IMPOSSIBLE = (
    sample(3_300, 3_300, 3_300, 5_001),
    sample(3_300, 3_300, 499, 3_300),
    sample(3_300, 3_300, 3_300),
    sample(temps_dc=(1_251,)),
    sample(soc_permille=1_001),
    sample(low_cell_mv=3_301, high_cell_mv=3_300),
)
"""Each is outside what a cell, a sensor or a counter can say; common practice, no
source."""


@st.composite
def commands(draw: st.DrawFn, of: Site, at_ms: int) -> Command:
    names = st.sampled_from(("", *(each.name for each in of.rules)))
    return Command(
        at_ms=at_ms,
        verb=draw(st.sampled_from((*ON_ALARMS, *ON_ALARMS, *Verb))),
        by="warden",
        alarm=draw(names),
        reason=draw(st.sampled_from(("", "being mended"))),
        for_ms=draw(st.sampled_from((0, 1_000, 60_000, 3_600_000, 43_200_000))),
    )


@st.composite
def readings(draw: st.DrawFn, of: Site, at_ms: int, how: str) -> list[Told]:
    """Return what packs say at *at_ms*: all of them the same, or one of them."""
    packs = [pack.name for pack in of.bank.packs]
    if how in {"odd", "impossible"}:
        packs = [draw(st.sampled_from(packs))]
    match how:
        case "well":
            said = sample()
        case "impossible":
            said = draw(st.sampled_from(IMPOSSIBLE))
        case _:
            said = draw(possible_samples())
    return [
        Told(Reading(at_ms=at_ms, pack=pack, sample=said), is_good=how != "impossible")
        for pack in packs
    ]


@st.composite
def others(draw: st.DrawFn, of: Site, at_ms: int, how: str) -> Event:  # noqa: PLR0911 one return a kind
    """Return an event that is not a reading."""
    match how:
        case "failed":
            pack = draw(st.sampled_from(of.bank.packs)).name
            return ReadingFailed(at_ms=at_ms, pack=pack, reason="silent")
        case "trouble":
            part = draw(st.sampled_from(PARTS))
            reason = draw(st.sampled_from(("", "disk full")))
            return Trouble(at_ms=at_ms, part=part, reason=reason)
        case "certificates":
            left_ms = draw(st.integers(-10, 70)) * 86_400_000
            return CertificatesSeen(at_ms=at_ms, left_ms=left_ms, text="ours ends")
        case "input" if of.inputs:
            name = draw(st.sampled_from(of.inputs)).name
            level = draw(st.sampled_from((False, False, True, None)))
            return InputSeen(at_ms=at_ms, name=name, level=level)
        case "clock":
            return LocalTime(at_ms=at_ms, day_ms=draw(st.sampled_from(TIMES_MS)))
        case "full":
            return LastFull(at_ms=at_ms, ago_ms=draw(st.integers(0, 10**10)))
        case "command":
            return draw(commands(of, at_ms))
        case _:
            return Tick(at_ms=at_ms)


SAID = ("well", "well", "well", "odd", "odd", "odd-all", "odd-all", "impossible")
HAPPENINGS = (
    *(*SAID, "command", "command", "failed", "trouble", "full", "tick", "tick"),
    *("input", "input", "clock", "certificates"),
)
TIMES_MS = (0, 43_195_000, 82_800_000)


@st.composite
def histories(draw: st.DrawFn, of: SearchStrategy[Site] | None = None) -> History:
    """Return a site that mostly starts well, and then up to thirty happenings."""
    where = draw(sites() if of is None else of)
    told: list[Told] = []
    at_ms = 0
    if draw(st.booleans()):  # every input is read, and off
        told += [
            Told(InputSeen(at_ms=0, name=each.name, level=False))
            for each in where.inputs
        ]
    for _ in range(draw(st.integers(0, 5))):
        told += draw(readings(where, at_ms, "well"))
        at_ms += 1_000
    for how in draw(st.lists(st.sampled_from(HAPPENINGS), min_size=10, max_size=30)):
        at_ms += draw(GAPS_MS)
        if how in SAID:
            told += draw(readings(where, at_ms, how))
        else:
            told.append(Told(draw(others(where, at_ms, how))))
    return History(where, tuple(told))
