"""What a pack shows: every measure below, at and above its rule's trip, and unsaid."""

from __future__ import annotations

from dataclasses import replace

import pytest

from core_builders import Player, reading, sample
from core_watched import UNSAID, of, raised
from tocsin.core.foretold import FORETOLD
from tocsin.core.measures import allowed_charge_ma
from tocsin.core.measures import measure as measure_of
from tocsin.core.model import Flag, Sample
from tocsin.core.rules import Gate, Measure, Scope


def flagged(*flags: Flag) -> Sample:
    return sample(flags=frozenset(flags))


def extremes(low_mv: int, high_mv: int) -> Sample:
    return Sample(low_cell_mv=low_mv, high_cell_mv=high_mv, temps_dc=(200,))


REFUSALS = (Flag.CHARGE_REFUSED, Flag.HIGH_VOLTAGE_TRIP, Flag.COLD_TRIP, Flag.HOT_TRIP)
CUTS = (Flag.DISCHARGE_REFUSED, Flag.LOW_VOLTAGE_TRIP)
WARNINGS = tuple(flag for flag in Flag if flag not in {*REFUSALS, *CUTS})

# What a pack says around each trip, and whether that is beyond it.
PLAIN: list[tuple[Measure, int, int, list[Sample], list[bool]]] = [
    (
        Measure.STATE_OF_CHARGE,
        250,
        300,
        [sample(soc_permille=soc) for soc in (249, 250, 251)],
        [True, True, False],
    ),
    (
        Measure.LOWEST_CELL,
        3_000,
        3_100,
        [sample(3_300, 3_300, mv, 3_300) for mv in (2_999, 3_000, 3_001)],
        [True, True, False],
    ),
    (
        Measure.LOWEST_CELL,
        3_000,
        3_100,
        [extremes(mv, 3_300) for mv in (2_999, 3_000, 3_001)],
        [True, True, False],
    ),
    (
        Measure.HIGHEST_CELL,
        3_600,
        3_500,
        [sample(3_300, 3_300, mv, 3_300) for mv in (3_599, 3_600, 3_601)],
        [False, True, True],
    ),
    (
        Measure.HIGHEST_CELL,
        3_600,
        3_500,
        [extremes(3_300, mv) for mv in (3_599, 3_600, 3_601)],
        [False, True, True],
    ),
    (
        Measure.HIGHEST_CELL_AHEAD,
        3_600,
        3_500,
        [extremes(3_300, mv) for mv in (3_599, 3_600, 3_601)],
        [False, True, True],
    ),
    (
        Measure.HIGHEST_CELL_AHEAD,
        3_600,
        3_500,
        [sample(3_300, mv, 3_300, 3_300) for mv in (3_599, 3_600, 3_601)],
        [False, True, True],
    ),
    (
        Measure.CELL_SPREAD,
        100,
        60,
        [sample(3_300, 3_350, 3_300 + mv, 3_300) for mv in (99, 100, 101)],
        [False, True, True],
    ),
    (
        Measure.CELL_SPREAD,
        100,
        60,
        [extremes(3_300, 3_300 + mv) for mv in (99, 100, 101)],
        [False, True, True],
    ),
    (
        Measure.COLDEST,
        50,
        60,
        [sample(temps_dc=(200, dc)) for dc in (49, 50, 51)],
        [True, True, False],
    ),
    (
        Measure.HOTTEST,
        500,
        450,
        [sample(temps_dc=(200, dc)) for dc in (499, 500, 501)],
        [False, True, True],
    ),
    (
        Measure.CHARGE_CURRENT,
        9_000,
        8_000,
        [sample(current_ma=ma) for ma in (8_999, 9_000, 9_001, -9_001)],
        [False, True, True, False],
    ),
    (
        Measure.DISCHARGE_CURRENT,
        9_000,
        8_000,
        [sample(current_ma=-ma) for ma in (8_999, 9_000, 9_001, -9_001)],
        [False, True, True, False],
    ),
    (
        Measure.CHARGE_OVER_ALLOWED,  # 0.05C of 100 Ah from 0 degC on
        1_000,
        0,
        [sample(temps_dc=(99, 300), current_ma=ma) for ma in (5_999, 6_000, 6_001)],
        [False, True, True],
    ),
    (
        Measure.CHARGE_OVER_ALLOWED,  # none below 0 degC, 0.16C from 10 degC on
        1_000,
        0,
        [
            sample(temps_dc=(-1,), current_ma=1_000),
            sample(temps_dc=(-1,), current_ma=-90_000),
            sample(temps_dc=(100,), current_ma=16_999),
            sample(temps_dc=(100,), current_ma=17_000),
        ],
        [True, False, False, True],
    ),
    (
        Measure.SUM_ERROR,
        100,
        50,
        [sample(voltage_mv=13_200 + mv) for mv in (99, 100, 101, -99, -100, -101)],
        [False, True, True, False, True, True],
    ),
    (
        Measure.MISSING,
        1,
        0,
        [sample(), replace(sample(), temps_dc=()), UNSAID],
        [False, True, True],
    ),
    (
        Measure.REFUSES_CHARGE,
        1,
        0,
        [flagged(flag) for flag in (*REFUSALS, *CUTS, *WARNINGS)],
        [True] * len(REFUSALS) + [False] * len(CUTS + WARNINGS),
    ),
    (
        Measure.REFUSES_DISCHARGE,
        1,
        0,
        [flagged(flag) for flag in (*CUTS, *REFUSALS, *WARNINGS)],
        [True] * len(CUTS) + [False] * len(REFUSALS + WARNINGS),
    ),
    (
        Measure.PROTECTOR_WARNING,
        1,
        0,
        [flagged(flag) for flag in (*WARNINGS, *REFUSALS, *CUTS)],
        [True] * len(WARNINGS) + [False] * len(REFUSALS + CUTS),
    ),
    (
        Measure.PROTECTOR_WARNING,
        2,
        0,
        [flagged(*WARNINGS[:n]) for n in (1, 2, 3)],
        [False, True, True],
    ),
]


@pytest.mark.parametrize(
    ("measure", "trip_at", "clear_at", "said", "beyond"),
    [
        (measure, trip_at, clear_at, what, is_beyond)
        for measure, trip_at, clear_at, each, expected in PLAIN
        for what, is_beyond in zip(each, expected, strict=True)
    ],
)
def test_a_measure_is_beyond_its_trip_at_it_and_past_it(
    measure: Measure, trip_at: int, clear_at: int, said: Sample, *, beyond: bool
) -> None:
    assert raised(of(measure, trip_at, clear_at), said) is beyond


SAYS_NOTHING_OF = [
    (measure, trip_at, clear_at)
    for measure, trip_at, clear_at in (
        (Measure.LOWEST_CELL, 3_000, 3_100),
        (Measure.HIGHEST_CELL, 3_600, 3_500),
        (Measure.HIGHEST_CELL_AHEAD, 3_600, 3_500),
        (Measure.CELL_SPREAD, 100, 60),
        (Measure.COLDEST, 50, 60),
        (Measure.HOTTEST, 500, 450),
        (Measure.CHARGE_CURRENT, 9_000, 8_000),
        (Measure.DISCHARGE_CURRENT, 9_000, 8_000),
        (Measure.CHARGE_OVER_ALLOWED, 1_000, 0),
        (Measure.SUM_ERROR, 100, 50),
        (Measure.BEAT_AGE, 2_000, 1_000),
    )
]

WORST = sample(
    2_500,
    3_300,
    3_300,
    3_800,
    temps_dc=(-100, 600),
    current_ma=90_000,
    voltage_mv=9_999,
)


@pytest.mark.parametrize(("measure", "trip_at", "clear_at"), SAYS_NOTHING_OF)
def test_what_a_pack_does_not_say_raises_nothing_by_itself(
    measure: Measure, trip_at: int, clear_at: int
) -> None:
    assert not raised(of(measure, trip_at, clear_at), UNSAID, UNSAID)


@pytest.mark.parametrize("what", [row[0] for row in SAYS_NOTHING_OF])
def test_what_a_pack_does_not_say_has_no_value_and_no_place(what: Measure) -> None:
    player = Player(of(what, 1_000, 500))
    player.play(*(replace(reading(at_ms), sample=UNSAID) for at_ms in (0, 9_000)))
    assert measure_of(what, player.state.packs[0], player.site, 9_000) == (None, "")


@pytest.mark.parametrize(
    ("current_ma", "charge_ma", "discharge_ma"),
    [(-1, 0, 1), (0, 0, 0), (1, 1, 0)],
)
def test_a_current_is_drawn_or_charged_or_neither(
    current_ma: int, charge_ma: int, discharge_ma: int
) -> None:
    where = of(Measure.CHARGE_CURRENT, 9_000, 8_000)
    player = Player(where)
    pack = player.play(reading(0, current_ma=current_ma)).state.packs[0]
    assert measure_of(Measure.CHARGE_CURRENT, pack, where, 0) == (charge_ma, "")
    assert measure_of(Measure.DISCHARGE_CURRENT, pack, where, 0) == (discharge_ma, "")


@pytest.mark.parametrize(
    ("coldest_dc", "current_ma", "over_ma"),
    [(-1, -1, 0), (-1, 0, 0), (-1, 1, 1), (100, -1, 0), (100, 16_001, 1)],
)
def test_only_what_is_charged_can_be_over_what_is_allowed(
    coldest_dc: int, current_ma: int, over_ma: int
) -> None:
    """None is allowed below 0 degC, 0.16C of 100 Ah from 10 degC on."""
    where = of(Measure.CHARGE_OVER_ALLOWED, 1_000, 0)
    said = reading(0, temps_dc=(coldest_dc,), current_ma=current_ma)
    pack = Player(where).play(said).state.packs[0]
    assert measure_of(Measure.CHARGE_OVER_ALLOWED, pack, where, 0) == (over_ma, "")


def test_the_allowed_charge_is_a_whole_number_of_milliamperes() -> None:
    where = of(Measure.CHARGE_OVER_ALLOWED, 1_000, 0)
    odd = replace(where, bank=replace(where.bank, capacity_mah=100_019))
    assert allowed_charge_ma(odd, 0) == 5_000  # 0.05C is 5.00095 A


@pytest.mark.parametrize(("measure", "trip_at", "clear_at"), SAYS_NOTHING_OF[:6])
def test_what_a_pack_no_longer_says_does_not_clear_what_was_raised(
    measure: Measure, trip_at: int, clear_at: int
) -> None:
    assert raised(of(measure, trip_at, clear_at), WORST, UNSAID, UNSAID)


@pytest.mark.parametrize(("measure", "trip_at", "clear_at"), SAYS_NOTHING_OF[:6])
def test_what_a_pack_no_longer_says_goes_on_being_pending(
    measure: Measure, trip_at: int, clear_at: int
) -> None:
    where = of(measure, trip_at, clear_at, on_delay_ms=1_500)
    assert not raised(where, WORST, UNSAID)
    assert raised(where, WORST, UNSAID, UNSAID)
    assert not raised(where, WORST, sample(), UNSAID)


def test_what_a_pack_no_longer_says_does_not_go_on_returning() -> None:
    where = of(Measure.COLDEST, 50, 60, off_delay_ms=2_000)
    player = Player(where)
    player.play(reading(0, temps_dc=(50,)), reading(1_000, temps_dc=(60,)))
    player.play(reading(2_000, temps_dc=()), reading(5_000, temps_dc=()))
    assert player.alarm("watched") == "unacknowledged"
    player.play(reading(6_000, temps_dc=(60,)), reading(8_000, temps_dc=(60,)))
    assert player.alarm("watched") == "returned unacknowledged"


@pytest.mark.parametrize("low", [True, False])
def test_a_spread_needs_both_extremes(*, low: bool) -> None:
    one = Sample(low_cell_mv=2_500) if low else Sample(high_cell_mv=3_600)
    assert not raised(of(Measure.CELL_SPREAD, 100, 60), one)
    assert not raised(of(Measure.CELL_SPREAD, 100, 60), replace(one, temps_dc=(1,)))


def test_the_cell_is_named_that_is_worst() -> None:
    for measure, trip_at, clear_at, cell in (
        (Measure.LOWEST_CELL, 3_000, 3_100, "1"),
        (Measure.HIGHEST_CELL, 3_600, 3_500, "4"),
        (Measure.HIGHEST_CELL_AHEAD, 3_600, 3_500, "4"),
    ):
        player = Player(of(measure, trip_at, clear_at))
        player.play(replace(reading(0), sample=WORST))
        named = {a.where for a in player.state.alarms if a.active}
        assert f"left/{cell}" in named


@pytest.mark.parametrize(
    ("measure", "trip_at", "clear_at", "said"),
    [
        (measure, trip_at, clear_at, each[i])
        for measure, trip_at, clear_at, each, expected in PLAIN
        for i in (expected.index(True),)
    ],
)
def test_an_alarm_names_its_pack_and_a_cell_only_where_one_is_worst(
    measure: Measure, trip_at: int, clear_at: int, said: Sample
) -> None:
    player = Player(of(measure, trip_at, clear_at))
    player.play(replace(reading(0), sample=said))
    where = next(a.where for a in player.state.alarms if a.active)
    cell = where.removeprefix("left").removeprefix("/")
    of_cells = {Measure.LOWEST_CELL, Measure.HIGHEST_CELL, Measure.HIGHEST_CELL_AHEAD}
    is_named = measure in of_cells and bool(said.cells_mv)
    assert where == (f"left/{int(cell)}" if is_named else "left")


@pytest.mark.parametrize(
    ("voltage_mv", "beyond"), [(13_299, False), (13_300, True), (13_301, True)]
)
def test_the_sum_of_a_pack_of_two_strings_is_that_of_its_worst_string(
    voltage_mv: int, *, beyond: bool
) -> None:
    """The second string sums to 13.200 V, the first to the pack's own voltage."""
    first = (*[3_300] * 3, voltage_mv - 9_900)
    said = sample(*first, *[3_300] * 4, voltage_mv=voltage_mv)
    assert raised(of(Measure.SUM_ERROR, 100, 50), said) is beyond


# --- gates --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("gate", "high_mv", "counts"),
    [
        (Gate(measure=Measure.HIGHEST_CELL, at_least=3_400), 3_399, False),
        (Gate(measure=Measure.HIGHEST_CELL, at_least=3_400), 3_400, True),
        (Gate(measure=Measure.HIGHEST_CELL, at_least=3_400), 3_401, True),
        (Gate(measure=Measure.HIGHEST_CELL, at_most=3_400), 3_399, True),
        (Gate(measure=Measure.HIGHEST_CELL, at_most=3_400), 3_400, True),
        (Gate(measure=Measure.HIGHEST_CELL, at_most=3_400), 3_401, False),
        (Gate(measure=Measure.COLDEST, at_least=0), 3_400, False),  # unsaid: closed
        (Gate(measure=Measure.HIGHEST_CELL), 3_400, True),
    ],
)
def test_a_rule_counts_only_within_its_gate(
    gate: Gate, high_mv: int, *, counts: bool
) -> None:
    where = of(Measure.CELL_SPREAD, 50, 20, gate=gate)
    said = replace(sample(3_300, 3_300, 3_300, high_mv), temps_dc=())
    assert raised(where, said) is counts


def test_a_gate_that_closes_clears_its_rule_after_its_off_delay() -> None:
    gate = Gate(measure=Measure.HIGHEST_CELL, at_least=3_400)
    where = of(Measure.CELL_SPREAD, 50, 20, gate=gate, off_delay_ms=2_000)
    player = Player(where)
    player.play(reading(0, 3_300, 3_300, 3_300, 3_400))
    player.play(reading(1_000, 3_300, 3_300, 3_300, 3_399))
    player.tick(2_999)
    assert player.alarm("watched") == "unacknowledged"
    player.tick(3_000)
    assert player.alarm("watched") == "returned unacknowledged"


def test_every_measure_of_a_pack_has_its_rows_here() -> None:
    shown = {row[0] for row in PLAIN}
    ages = {Measure.DATA_AGE, Measure.UNCHANGED, Measure.BEAT_AGE}
    foretold = set(FORETOLD)  # their rows stand with the forecast
    assert shown | ages | foretold == {m for m in Measure if m.scope is Scope.PACK}
