"""The bank as a whole: charge returned, a full charge, shared current."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from core_builders import Player, output, reading, rule, site
from tocsin.core.bank import BankState, discharge_ma, is_charge_back
from tocsin.core.events import LastFull, NoteFact, Reading
from tocsin.core.model import Sample
from tocsin.core.packs import Packs
from tocsin.core.rules import Measure, Role
from tocsin.core.site import Site, Timing

ONE = site()
TWO = site(packs=("left", "right"))
SERIES = site(packs=("upper", "lower"), strings=("A", "A"))
SERIES_TWICE = site(packs=("a1", "a2", "b1", "b2"), strings=("A", "A", "B", "B"))
HOUR_MS = 3_600_000
MINUTE_MS = 60_000
DAY_MS = 24 * HOUR_MS


def told(of: Site, *currents_ma: int | None, at_ms: int = 0) -> Player:
    """Return a bank whose packs said these currents, one each."""
    player = Player(of)
    tell(player, *currents_ma, at_ms=at_ms)
    return player


def tell(player: Player, *currents_ma: int | None, at_ms: int, **more: Any) -> None:
    packs = [pack.name for pack in player.site.bank.packs]
    for pack, current_ma in zip(packs, currents_ma, strict=True):
        player.play(reading(at_ms, pack=pack, current_ma=current_ma, **more))


def flows(player: Player, *currents_ma: int, for_s: int) -> int:
    """Let these currents flow, told once a second; return the mA s counted."""
    start_ms = player.state.now_ms
    for i in range(for_s + 1):
        tell(player, *currents_ma, at_ms=start_ms + i * 1_000)
    return player.state.bank.returned_ma_ms // 1_000


# --- counted charge -----------------------------------------------------------


@pytest.mark.parametrize(
    ("of", "currents_ma", "counted_ma"),
    [
        (ONE, (10_000,), 10_000),
        (TWO, (10_000, 10_000), 20_000),
        (TWO, (10_000, -4_000), 6_000),
        (SERIES, (10_000, 10_000), 10_000),
        (SERIES_TWICE, (10_000, 10_000, 5_000, 5_000), 15_000),
    ],
)
def test_strings_add_up_and_packs_in_series_count_once(
    of: Site, currents_ma: tuple[int, ...], counted_ma: int
) -> None:
    assert flows(Player(of), *currents_ma, for_s=100) == counted_ma * 100


def test_what_is_drawn_counts_against_what_was_returned_but_never_below_zero() -> None:
    player = Player(ONE)
    assert flows(player, 10_000, for_s=100) == 1_000_000
    assert flows(player, -4_000, for_s=100) == 600_000
    assert flows(player, -90_000, for_s=100) == 0
    assert flows(player, 10_000, for_s=10) == 100_000


@pytest.mark.parametrize(
    ("gap_ms", "counted"), [(9_999, True), (10_000, True), (10_001, False)]
)
def test_what_flowed_while_nobody_looked_is_not_counted(
    gap_ms: int, *, counted: bool
) -> None:
    player = told(ONE, 10_000)
    tell(player, 10_000, at_ms=gap_ms)
    assert (player.state.bank.returned_ma_ms > 0) is counted


def test_a_current_that_is_not_said_is_not_counted() -> None:
    player = told(ONE, 10_000)
    tell(player, None, at_ms=1_000)
    assert player.state.bank.returned_ma_ms == 0


@given(st.lists(st.integers(-300_000, 300_000), max_size=40))
def test_what_was_returned_is_never_negative(currents_ma: list[int]) -> None:
    player, counted = told(ONE, 0), 0
    for i, current_ma in enumerate(currents_ma, 1):
        tell(player, current_ma, at_ms=i * 1_000)
        counted = max(0, counted + current_ma * 1_000)
        assert player.state.bank.returned_ma_ms == counted


@pytest.mark.parametrize(
    ("of", "wanted_mah"), [(ONE, 5_000), (TWO, 10_000), (SERIES_TWICE, 10_000)]
)
def test_charge_is_back_at_its_share_of_the_whole_bank(
    of: Site, wanted_mah: int
) -> None:
    """5 % of what the strings hold together; common practice, no source."""
    of = replace(of, timing=Timing(restore_permille=50))
    for more, is_back in ((-1, False), (0, True), (1, True)):
        bank = BankState(returned_ma_ms=wanted_mah * HOUR_MS + more)
        assert is_charge_back(bank, of) is is_back


# --- a full charge ------------------------------------------------------------


def filling(
    of: Site = ONE,
    *,
    current_ma: int = 5_000,
    high_mv: int = 3_450,
    for_ms: int = 10 * MINUTE_MS,
) -> Player:
    player, cells_mv = Player(of), (3_400, high_mv, 3_400, 3_400)
    for at_ms in (*range(0, for_ms, 5_000), for_ms):
        for pack in of.bank.packs:
            said = reading(at_ms, *cells_mv, pack=pack.name, current_ma=current_ma)
            player.play(said)
    return player


def notes(player: Player) -> list[int]:
    return [f.at_ms for f in player.facts if isinstance(f, NoteFact)]


@pytest.mark.parametrize(
    ("changes", "full"),
    [
        ({"high_mv": 3_449}, False),
        ({"high_mv": 3_450}, True),
        ({"high_mv": 3_451}, True),
        ({"current_ma": -1}, False),
        ({"current_ma": 0}, True),
        ({"current_ma": 1}, True),
        ({"current_ma": 4_999}, True),
        ({"current_ma": 5_000}, True),
        ({"current_ma": 5_001}, False),
        ({"for_ms": 10 * MINUTE_MS - 1}, False),
        ({"for_ms": 10 * MINUTE_MS}, True),
        ({"for_ms": 10 * MINUTE_MS + 1}, True),
    ],
)
@pytest.mark.parametrize("of", [ONE, TWO])
def test_a_bank_is_full_at_high_cells_and_a_small_current_for_ten_minutes(
    of: Site, changes: dict[str, Any], *, full: bool
) -> None:
    """3.45 V and 0.05C; common practice, no source."""
    player = filling(of, **changes)
    assert bool(notes(player)) is full
    assert (player.state.bank.full_ms > 0) is full


def test_a_full_bank_has_all_its_charge_back() -> None:
    almost = filling(for_ms=10 * MINUTE_MS - 5_000).state.bank.returned_ma_ms
    assert almost < 1_000 * HOUR_MS
    assert filling().state.bank.returned_ma_ms == 100_000 * HOUR_MS


def test_a_full_charge_is_told_once_until_the_next_one() -> None:
    player = filling(for_ms=30 * MINUTE_MS)
    assert notes(player) == [10 * MINUTE_MS]
    assert player.state.bank.full_ms == 30 * MINUTE_MS
    tell(player, -20_000, at_ms=31 * MINUTE_MS)
    for at_ms in range(32 * MINUTE_MS, 43 * MINUTE_MS, 5_000):
        player.play(reading(at_ms, 3_450, 3_450, 3_450, 3_450))
    assert notes(player) == [10 * MINUTE_MS, 42 * MINUTE_MS]


def test_one_pack_that_is_not_full_keeps_the_bank_from_being_full() -> None:
    player = Player(TWO)
    for at_ms in range(0, 11 * MINUTE_MS, 5_000):
        player.play(reading(at_ms, 3_450, 3_450, 3_450, 3_450))
        player.play(reading(at_ms, 3_449, 3_400, 3_400, 3_400, pack="right"))
    assert not notes(player)


@pytest.mark.parametrize(
    ("for_ms", "full"),
    [
        (10 * MINUTE_MS - 1, False),
        (10 * MINUTE_MS, True),
        (10 * MINUTE_MS + 1, True),
    ],
)
@pytest.mark.parametrize("low_ms", [5_000, 300_000, 595_000])
def test_a_bank_that_was_not_full_for_a_moment_begins_its_ten_minutes_anew(
    low_ms: int, for_ms: int, *, full: bool
) -> None:
    player = filling(for_ms=low_ms)
    player.play(reading(low_ms + 1, 3_449, 3_400, 3_400, 3_400))
    begun_ms = low_ms + 5_000
    for at_ms in (*range(begun_ms, begun_ms + for_ms, 5_000), begun_ms + for_ms):
        player.play(reading(at_ms, *[3_450] * 4))
    assert bool(notes(player)) is full


@pytest.mark.parametrize(
    ("high_mv", "full"), [(3_449, False), (3_450, True), (3_451, True)]
)
def test_a_pack_that_says_only_its_extremes_can_be_full(
    high_mv: int, *, full: bool
) -> None:
    player = Player(ONE)
    said = Sample(low_cell_mv=3_400, high_cell_mv=high_mv, current_ma=0)
    for at_ms in range(0, 11 * MINUTE_MS, 5_000):
        player.play(Reading(at_ms=at_ms, pack="left", sample=said))
    assert bool(notes(player)) is full


def test_a_pack_that_fell_silent_while_full_keeps_the_bank_from_being_full() -> None:
    player = Player(TWO)
    player.play(reading(0, *[3_450] * 4, pack="right"))
    for at_ms in range(0, 30 * MINUTE_MS, 5_000):
        player.play(reading(at_ms, *[3_450] * 4))
    assert not notes(player)


def test_a_silence_does_not_count_as_filling() -> None:
    """What happened while nobody looked is not known."""
    player = Player(ONE)
    for at_ms in (0, 1_000, 15 * MINUTE_MS):
        player.play(reading(at_ms, 3_450, 3_450, 3_450, 3_450))
    assert not notes(player)
    assert player.state.bank.full_ms == 0


def test_a_pack_that_does_not_say_its_current_is_never_full() -> None:
    player = Player(ONE)
    for at_ms in range(0, 20 * MINUTE_MS, 5_000):
        player.play(reading(at_ms, *[3_450] * 4, current_ma=None))
    assert not notes(player)


SINCE = rule("since", measure=Measure.SINCE_FULL, trip_at=14 * DAY_MS, clear_at=DAY_MS)


@pytest.mark.parametrize(("more_ms", "long"), [(-1, False), (0, True), (1, True)])
def test_a_bank_not_full_for_long_is_told_as_the_journal_remembers_it(
    more_ms: int, *, long: bool
) -> None:
    player = Player(site(SINCE))
    player.play(LastFull(at_ms=1_000, ago_ms=14 * DAY_MS + more_ms))
    assert (player.alarm("since", "bank") == "unacknowledged") is long


def test_the_days_since_full_count_on_with_every_reading() -> None:
    player = Player(site(SINCE))
    player.play(LastFull(at_ms=0, ago_ms=14 * DAY_MS - 1_000))
    player.play(reading(999))
    assert player.alarm("since", "bank") == "normal"
    player.play(reading(1_000))
    assert player.alarm("since", "bank") == "unacknowledged"


# --- shared current -----------------------------------------------------------


@pytest.mark.parametrize(
    ("currents_ma", "left_permille"),
    [
        ((20_000, 20_000), 0),
        ((26_000, 14_000), 300),
        ((14_000, 26_000), 300),
        ((-26_000, -14_000), 300),
        ((20_009, 19_991), 0),  # 0.45 permille: a whole number, rounded down
        ((20_021, 19_979), 1),
        ((20_000, -20_000), None),  # no mean to compare with
        ((9_999, 9_999), None),
        ((10_000, 10_000), 0),
        ((10_001, 10_001), 0),
        ((-9_999, -9_999), None),
        ((-10_000, -10_000), 0),
        ((20_000, None), None),
    ],
)
def test_a_string_is_compared_with_an_equal_share_from_a_tenth_of_1c_on(
    currents_ma: tuple[int | None, ...], left_permille: int | None
) -> None:
    """0.1C of 100 Ah packs; common practice, no source."""
    player = told(TWO, *currents_ma)
    assert (
        Packs(player.state.packs, TWO, None).shares_permille().get("left")
        == left_permille
    )


SHARE = rule("share", measure=Measure.STRING_SHARE, trip_at=300, clear_at=200)


@pytest.mark.parametrize(
    ("left_ma", "unequal"), [(25_999, False), (26_000, True), (26_001, True)]
)
def test_a_string_out_of_its_share_is_told_at_its_limit(
    left_ma: int, *, unequal: bool
) -> None:
    player = told(site(SHARE, packs=("left", "right")), left_ma, 40_000 - left_ma)
    assert (player.alarm("share", "left") == "unacknowledged") is unequal
    assert player.alarm("share", "right") == player.alarm("share", "left")


def test_a_bank_of_one_string_has_nothing_to_share() -> None:
    assert site(SHARE, packs=("a", "b"), strings=("A", "A")).subjects == ()


@pytest.mark.parametrize(
    ("of", "currents_ma", "drawn_ma"),
    [
        (ONE, (-7_000,), 7_000),
        (ONE, (0,), 0),
        (ONE, (7_000,), 0),
        (ONE, (None,), None),
        (TWO, (-7_000, -5_000), 12_000),
        (TWO, (-7_000, 5_000), 2_000),
        (TWO, (-5_000, 7_000), 0),
        (TWO, (-5_000, None), None),
        (SERIES, (-7_000, -7_000), 7_000),
        (SERIES, (-7_000, -7_001), 7_001),  # a meter's difference: the larger half
        (SERIES_TWICE, (-7_000, -7_000, -1_000, -1_000), 8_000),
    ],
)
def test_what_is_drawn_from_the_bank_is_the_sum_of_its_strings(
    of: Site, currents_ma: tuple[int | None, ...], drawn_ma: int | None
) -> None:
    assert discharge_ma(told(of, *currents_ma).state.packs, of) == drawn_ma


def test_currents_of_a_lost_pack_are_not_known() -> None:
    of = replace(TWO, outputs=(output("charge", Role.CHARGE_PERMIT),))
    player = told(of, -7_000, -7_000)
    assert discharge_ma(player.state.packs, of) == 14_000
    player.play(reading(9_000, current_ma=-7_000))
    player.tick(10_000)
    assert discharge_ma(player.state.packs, of) is None
    assert Packs(player.state.packs, of, None).shares_permille() == {}
