"""The shipped LFP rules do to the outputs what the trade asks of them.

Where no source is named: common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest

from core_fern_ridge import LOADS, Said, Watched, bank
from core_oracles import levels
from tocsin.core.events import AlarmFact, Reading
from tocsin.core.measures import allowed_charge_ma

ALL_ON = (True, True, True)
NORMAL = Said()


def ready(
    *packs: str, cells: int = 16, string: str = "", said: Said = NORMAL
) -> Watched:
    """Return a bank that has been heard for half a minute."""
    player = Watched(bank(*packs, cells=cells, string=string))
    player.hear(said, for_s=30)
    return player


def first_s(player: Watched, alarm: str) -> float:
    """Return when *alarm* was first raised, in s."""
    return next(
        fact.at_ms / 1_000
        for fact in player.facts
        if isinstance(fact, AlarmFact)
        and fact.alarm == alarm
        and fact.state == "unacknowledged"
    )


def dropped_s(player: Watched, output: str) -> float:
    """Return when *output* last dropped, in s."""
    return max(at_ms for at_ms, on in levels(player.facts, output) if not on) / 1_000


# --- temperature --------------------------------------------------------------


def test_at_23_degrees_charge_and_every_load_are_permitted() -> None:
    """Common practice, no source."""
    player = ready(said=Said(temp_dc=230))
    assert player.level("charge")
    assert player.levels(*LOADS) == ALL_ON


def test_at_minus_18_degrees_loads_are_permitted_and_charge_is_not() -> None:
    """Common practice, no source: LFP may be discharged from -20 degC on."""
    player = ready(said=Said(temp_dc=-180))
    assert not player.level("charge")
    assert player.because("charge") == ("cold-charge",)
    player.hear(Said(temp_dc=-180), for_s=600)
    assert player.levels("charge", *LOADS) == (False, *ALL_ON)


@pytest.mark.parametrize(
    ("temp_dc", "permitted"), [(49, False), (50, False), (51, True)]
)
def test_charge_is_refused_at_5_degrees_and_below(
    temp_dc: int, *, permitted: bool
) -> None:
    """Common practice, no source."""
    player = ready()
    player.hear(Said(temp_dc=temp_dc), for_s=4)
    assert player.level("charge")
    player.hear(Said(temp_dc=temp_dc), for_s=2)
    assert player.level("charge") == permitted


@pytest.mark.parametrize(
    ("temp_dc", "permitted"), [(51, False), (59, False), (60, True), (61, True)]
)
def test_after_the_cold_charge_comes_back_at_6_degrees_not_before(
    temp_dc: int, *, permitted: bool
) -> None:
    """Between 5 and 6 degC it stays as it was; common practice, no source."""
    player = ready()
    player.hear(Said(temp_dc=50), for_s=70)
    assert not player.level("charge")
    player.hear(Said(temp_dc=temp_dc), for_s=60)
    assert not player.level("charge")
    player.hear(Said(temp_dc=temp_dc), for_s=1)
    assert player.level("charge") == permitted


def test_one_cold_sensor_is_enough() -> None:
    player = ready("left", "right")
    player.hear(NORMAL, for_s=6, odd=Said(temp_dc=40), at="right")
    assert not player.level("charge")


# The delay is 30 s in the cold and 10 s in the heat; common practice, no source.
DISCHARGE = [
    (-199, 30, True),
    (-200, 30, False),
    (-201, 30, False),
    (489, 10, True),  # the hotter sensor is 1 degC above: 49.9, 50.0, 50.1 degC
    (490, 10, False),
    (491, 10, False),
]


@pytest.mark.parametrize(("temp_dc", "delay_s", "permitted"), DISCHARGE)
def test_loads_are_permitted_between_minus_20_and_50_degrees(
    temp_dc: int, delay_s: int, *, permitted: bool
) -> None:
    """Common practice, no source."""
    player = ready()
    player.hear(Said(temp_dc=temp_dc), for_s=delay_s)
    assert player.levels(*LOADS) == ALL_ON
    player.hear(Said(temp_dc=temp_dc), for_s=2 * 30)
    assert player.levels(*LOADS) == (permitted,) * 3


# Multiples of 1C of a 280 Ah pack. 0.16C at 10 degC: ageing study of large LFP cells,
# doi 10.1016/j.est.2023.109042; the other steps: common practice, no source.
CHARGE_MAP = [
    (-180, 0),
    (-1, 0),
    (0, 14_000),
    (49, 14_000),
    (50, 28_000),
    (99, 28_000),
    (100, 44_800),
    (149, 44_800),
    (150, 84_000),
    (230, 140_000),
    (250, 280_000),
    (450, 140_000),
    (550, 0),
]


@pytest.mark.parametrize(("coldest_dc", "allowed_ma"), CHARGE_MAP)
def test_the_coldest_cell_says_how_much_charge_is_allowed(
    coldest_dc: int, allowed_ma: int
) -> None:
    assert allowed_charge_ma(bank(), coldest_dc) == allowed_ma


def test_an_unknown_coldest_cell_allows_no_known_charge() -> None:
    assert allowed_charge_ma(bank(), None) is None


@pytest.mark.parametrize(
    ("current_ma", "raised"), [(50_399, False), (50_400, True), (50_401, True)]
)
def test_charging_past_what_the_cold_allows_is_an_alarm(
    current_ma: int, *, raised: bool
) -> None:
    """0.16C at 10 degC, doi 10.1016/j.est.2023.109042, and 0.02C for the meter."""
    player = ready()
    player.hear(Said(temp_dc=100, current_ma=current_ma), for_s=61)
    assert (player.alarm("cold-charge-current") == "unacknowledged") == raised


# --- full cells ---------------------------------------------------------------


@pytest.mark.parametrize("cells", [4, 8, 16])
@pytest.mark.parametrize(
    ("cell_mv", "permitted"), [(3_599, True), (3_600, False), (3_601, False)]
)
def test_one_cell_at_3_60_v_stops_charge_two_seconds_later(
    cell_mv: int, cells: int, *, permitted: bool
) -> None:
    """Cells are made for 3.60 to 3.65 V: Naumann et al., J. Energy Storage 2018, doi
    10.1016/j.est.2018.01.019; the delay: common practice, no source.
    """
    player = ready(cells=cells, said=Said(cell_mv=3_390, odd_mv=3_599))
    assert player.level("charge")
    full = Said(cell_mv=3_390, odd_mv=cell_mv)
    player.hear(full, for_s=2)
    assert player.level("charge")
    player.hear(full)
    assert player.level("charge") == permitted


@pytest.mark.parametrize("number", range(16))
def test_any_single_cell_above_3_75_v_stops_charge(number: int) -> None:
    """Protectors trip between 3.60 and 3.75 V; common practice, no source."""
    player = ready("left", "right")
    cells_mv = [3_380] * 16
    cells_mv[number] = 3_760
    like = NORMAL.sample(16)
    full = replace(like, cells_mv=tuple(cells_mv), voltage_mv=sum(cells_mv))
    start_ms = player.state.now_ms
    for at_ms in range(start_ms + 1_000, start_ms + 5_000, 1_000):
        player.play(Reading(at_ms=at_ms, pack="left", sample=like))
        player.play(Reading(at_ms=at_ms, pack="right", sample=full))
    assert not player.level("charge")
    assert player.levels(*LOADS) == ALL_ON
    told = [f.subject for f in player.facts if isinstance(f, AlarmFact)]
    assert f"right/{number + 1}" in told


def test_a_cell_that_runs_away_stops_charge_before_it_is_full() -> None:
    """At 0.5C a cell goes from 3.55 to 3.65 V in 17 s, calculated from Naumann et al.
    (doi 10.1016/j.est.2018.01.019); a rise of 6 mV/s is that.
    """
    player = ready(said=Said(cell_mv=3_380))
    for cell_mv in range(3_386, 3_750, 6):
        player.hear(Said(cell_mv=3_380, odd_mv=cell_mv, current_ma=140_000))
        if not player.level("charge"):
            assert 3_400 <= cell_mv < 3_500
            assert player.because("charge") == ("rising-cell",)
            return
    pytest.fail("charge was permitted to the end")


# --- empty cells --------------------------------------------------------------


def falling(player: Watched, *, cells: int = 16) -> float:
    """Let a cell fall 10 mV/s from 3.20 to 2.76 V; return when it met 2.80, in s."""
    cut_s = 0.0
    for cell_mv in range(3_200, 2_759, -10):
        player.hear(Said(cell_mv=3_250, odd_mv=cell_mv, current_ma=-60_000))
        if cell_mv == 2_800:
            cut_s = player.state.now_ms / 1_000
    assert cells == player.site.bank.packs[0].cells
    return cut_s


@pytest.mark.parametrize("cells", [4, 8, 16])
def test_warning_and_shedding_come_before_a_falling_cell_is_cut(cells: int) -> None:
    """2.80 V is the protection's low cut-off; common practice, no source."""
    player = ready(cells=cells, said=Said(cell_mv=3_250))
    cut_s = falling(player, cells=cells)
    assert first_s(player, "low-cell") < cut_s
    assert levels(player.facts, "horn")[0][0] / 1_000 < cut_s
    assert dropped_s(player, "drying") < cut_s
    assert dropped_s(player, "drying") <= dropped_s(player, "kitchen")


def test_stages_go_in_their_order_each_after_the_one_before() -> None:
    player = ready(said=Said(cell_mv=3_250))
    falling(player)
    player.hear(Said(cell_mv=3_250, odd_mv=2_760, current_ma=-20_000), for_s=60)
    times = [dropped_s(player, name) for name in LOADS]
    assert times == sorted(times)
    assert all(late - early >= 5 for early, late in pairwise(times))


def test_a_rebound_of_voltage_brings_no_stage_back() -> None:
    """Shedding 0.2C lifts a cell by 37 mV at 25 degC and 117 mV at 10 degC,
    calculated from Naumann et al., doi 10.1016/j.est.2018.01.019.
    """
    player = ready(said=Said(cell_mv=3_250))
    falling(player)
    low = Said(cell_mv=3_250, odd_mv=2_950, current_ma=-60_000)
    player.hear(low, for_s=90)
    assert player.levels(*LOADS) != ALL_ON
    shed = player.levels(*LOADS)
    player.hear(Said(cell_mv=3_300), for_s=1_800)
    assert player.levels(*LOADS) == shed
    assert "waiting-for-charge" in player.because("drying")
    # 5 % of 280 Ah at 140 A takes 360 s; stages then come back 5 minutes apart.
    player.hear(Said(cell_mv=3_300, current_ma=140_000), for_s=360 + 2 * 300)
    assert player.levels(*LOADS) == ALL_ON


# --- how banks are made -------------------------------------------------------

FIVE = ("one", "two", "three", "four", "five")


@pytest.mark.parametrize("odd", FIVE)
def test_of_five_strings_in_parallel_any_may_stop_charge_or_shed_load(odd: str) -> None:
    player = ready(*FIVE)
    assert player.levels("charge", *LOADS) == (True, *ALL_ON)
    player.hear(NORMAL, for_s=4, odd=Said(odd_mv=3_620), at=odd)
    assert player.levels("charge", *LOADS) == (False, *ALL_ON)
    assert player.alarm("high-cell", odd) == "unacknowledged"
    player.hear(NORMAL, for_s=150)
    assert player.levels("charge", *LOADS) == (True, *ALL_ON)
    player.hear(NORMAL, for_s=62, odd=Said(odd_mv=3_050), at=odd)
    assert player.levels("charge", *LOADS) == (True, False, True, True)


@pytest.mark.parametrize("silent", FIVE)
def test_of_five_strings_one_that_falls_silent_stops_charge_at_once(
    silent: str,
) -> None:
    """Loads are held for 300 s, then they go too; common practice, no source."""
    player = ready(*FIVE)
    last_ms = player.state.now_ms
    while player.state.now_ms < last_ms + 340_000:
        at_ms = player.state.now_ms + 1_000
        for name in FIVE:
            if name != silent:
                sample = NORMAL.sample(16)
                player.play(Reading(at_ms=at_ms, pack=name, sample=sample))
    assert dropped_s(player, "charge") == last_ms / 1_000 + 10
    assert dropped_s(player, "drying") == last_ms / 1_000 + 10 + 300
    assert player.levels(*LOADS) == (False,) * 3


@pytest.mark.parametrize(
    ("packs", "cells", "string"),
    [
        (("only",), 4, ""),  # 12 V
        (("only",), 8, ""),  # 24 V
        (("only",), 16, ""),  # 48 V
        (("upper", "lower"), 8, "A"),  # 48 V of two 24 V packs
        (("a", "b", "c", "d"), 4, "A"),  # 48 V of four 12 V packs
        (("upper", "lower"), 4, "A"),  # 24 V of two 12 V packs
    ],
)
def test_banks_of_12_24_and_48_v_are_guarded_at_every_pack(
    packs: tuple[str, ...], cells: int, string: str
) -> None:
    for odd in packs:
        player = ready(*packs, cells=cells, string=string)
        assert player.levels("charge", *LOADS) == (True, *ALL_ON)
        player.hear(NORMAL, for_s=4, odd=Said(odd_mv=3_620), at=odd)
        assert player.levels("charge", *LOADS) == (False, *ALL_ON)
        player.hear(NORMAL, for_s=62, odd=Said(odd_mv=3_050), at=odd)
        assert player.levels(*LOADS) == (False, True, True)


@pytest.mark.parametrize(
    ("packs", "string", "hours"), [(("only",), "", 1), (("upper", "lower"), "A", 1)]
)
def test_packs_in_series_carry_the_same_current_once(
    packs: tuple[str, ...], string: str, hours: int
) -> None:
    """Two packs in series at 14 A return 14 Ah an hour, not 28."""
    player = ready(*packs, cells=8, string=string)
    player.hear(Said(current_ma=14_000), for_s=hours * 3_600)
    assert player.state.bank.returned_ma_ms == 14_000 * 3_600_000 * hours
