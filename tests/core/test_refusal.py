"""Readings that cannot be true: each bound below, at and above.

The bounds are what a working sensor cannot leave; common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from core_builders import Player, output, reading, sample
from core_guarded import GOOD, GUARDED
from tocsin.core.events import SourceFact
from tocsin.core.measures import refusal
from tocsin.core.model import Pack, Sample
from tocsin.core.rules import Role
from tocsin.core.site import Chemistry

PACK = Pack(name="left", cells=4, string="left")
CELL = Chemistry()


def said(what: Sample, pack: Pack = PACK) -> str:
    return refusal(what, pack, CELL)


BOUNDS = [
    (sample(3_300, 499, 3_300, 3_300), "cell 2 at 0.499 V is impossible"),
    (sample(3_300, 500, 3_300, 3_300), ""),
    (sample(3_300, 501, 3_300, 3_300), ""),
    (sample(3_300, 3_300, 3_300, 4_999), ""),
    (sample(3_300, 3_300, 3_300, 5_000), ""),
    (sample(3_300, 3_300, 3_300, 5_001), "cell 4 at 5.001 V is impossible"),
    (sample(low_cell_mv=499), "a cell at 0.499 V is impossible"),
    (sample(low_cell_mv=500), ""),
    (sample(low_cell_mv=501), ""),
    (sample(high_cell_mv=4_999), ""),
    (sample(high_cell_mv=5_000), ""),
    (sample(high_cell_mv=5_001), "a cell at 5.001 V is impossible"),
    (sample(temps_dc=(200, -601)), "sensor 2 at -60.1 degC is impossible"),
    (sample(temps_dc=(200, -600)), ""),
    (sample(temps_dc=(200, -599)), ""),
    (sample(temps_dc=(200, 1_249)), ""),
    (sample(temps_dc=(200, 1_250)), ""),
    (sample(temps_dc=(1_251, 200)), "sensor 1 at 125.1 degC is impossible"),
    (sample(soc_permille=-1), "a charge of -0.1 % is impossible"),
    (sample(soc_permille=0), ""),
    (sample(soc_permille=1), ""),
    (sample(soc_permille=999), ""),
    (sample(soc_permille=1_000), ""),
    (sample(soc_permille=1_001), "a charge of 100.1 % is impossible"),
    *((sample(current_ma=sign * 19_999_999), "") for sign in (1, -1)),
    *((sample(current_ma=sign * 20_000_000), "") for sign in (1, -1)),
    (sample(current_ma=20_000_001), "a current of 20000 A is impossible"),
    (sample(current_ma=-20_000_001), "a current of -20000 A is impossible"),
    (sample(voltage_mv=-1), "a pack of 4 cells in series at -0.00 V is impossible"),
    (sample(voltage_mv=0), ""),  # the protection has opened
    (sample(voltage_mv=1), ""),
    (sample(voltage_mv=19_999), ""),
    (sample(voltage_mv=20_000), ""),
    (sample(voltage_mv=20_001), "a pack of 4 cells in series at 20.00 V is impossible"),
    (
        sample(low_cell_mv=3_301, high_cell_mv=3_300),
        "lowest cell 3.301 V, highest 3.300 V: a contradiction",
    ),
    (sample(low_cell_mv=3_300, high_cell_mv=3_300), ""),
    (sample(low_cell_mv=3_299, high_cell_mv=3_300), ""),
    (Sample(), ""),
]


@pytest.mark.parametrize(("what", "why"), BOUNDS)
def test_what_cannot_be_is_refused_with_where_and_how_much(
    what: Sample, why: str
) -> None:
    assert said(what) == why


@pytest.mark.parametrize("count", range(14))
def test_a_pack_of_several_strings_says_a_multiple_of_its_cells(count: int) -> None:
    why = said(Sample(cells_mv=(3_300,) * count))
    expected = f"{count} cells read, 4 expected, or several strings"
    assert why == ("" if count in {0, 4, 8, 12} else expected)


def test_the_voltage_of_a_pack_of_two_strings_is_that_of_one_of_them() -> None:
    """Parallel strings share a voltage: eight cells, four in series, 20 V at most."""
    assert not said(Sample(cells_mv=(3_300,) * 8, voltage_mv=13_200))
    assert said(Sample(cells_mv=(3_300,) * 8, voltage_mv=26_400))


def test_of_two_impossible_cells_the_low_one_is_named() -> None:
    assert said(sample(3_300, 5_100, 400, 3_300)).startswith("cell 3 at 0.400 V")


@given(
    st.lists(st.integers(-40_000, 70_000), max_size=9),
    st.lists(st.integers(-3_000, 3_000), max_size=3),
)
def test_a_reading_is_taken_only_if_every_value_in_it_can_be(
    cells_mv: list[int], temps_dc: list[int]
) -> None:
    what = Sample(cells_mv=tuple(cells_mv), temps_dc=tuple(temps_dc))
    can_be = (
        len(cells_mv) % 4 == 0
        and all(500 <= mv <= 5_000 for mv in cells_mv)
        and all(-600 <= dc <= 1_250 for dc in temps_dc)
    )
    assert (said(what) == "") is can_be


def test_a_refused_reading_changes_nothing_but_why() -> None:
    player = Player(GUARDED)
    player.play(*GOOD)
    before = player.state
    after = player.play(reading(2_000, 3_300, 3_300, 3_300, 6_000)).state
    why = "cell 4 at 6.000 V is impossible"
    assert tuple(after.packs) == (replace(before.packs[0], trouble=why),)
    assert after.alarms == before.alarms
    assert player.facts[-1] == SourceFact(
        at_ms=2_000, pack="left", state="refused", reason=why
    )


def test_readings_that_are_all_refused_are_a_lost_source() -> None:
    player = Player(GUARDED)
    player.play(*GOOD)
    for at_ms in range(3_000, 13_000, 1_000):
        assert player.level("charge")
        player.play(reading(at_ms, 3_300, 3_300, 3_300))
    assert not player.level("charge")
    lost = next(
        f for f in player.facts if isinstance(f, SourceFact) and f.state == "lost"
    )
    assert lost.at_ms == 12_000
    assert lost.reason == "3 cells read, 4 expected, or several strings"


def test_a_row_of_refusals_is_told_once_and_its_end_as_well() -> None:
    player = Player(GUARDED)
    player.play(*GOOD)
    for at_ms in (3_000, 4_000, 5_000):
        player.play(reading(at_ms, 3_300))
    player.play(reading(6_000))
    told = [f.state for f in player.facts if isinstance(f, SourceFact)]
    assert told == ["online", "refused", "online"]


def test_a_reading_of_a_good_pack_does_not_heal_a_refused_one() -> None:
    two = replace(
        GUARDED,
        bank=replace(
            GUARDED.bank,
            packs=(PACK, Pack(name="right", cells=4, string="right")),
        ),
        outputs=(output("charge", Role.CHARGE_PERMIT),),
    )
    player = Player(two)
    for at_ms in range(0, 20_000, 1_000):
        player.play(reading(at_ms), reading(at_ms, 3_300, pack="right"))
    assert player.because("charge") == ("lost",)
    assert player.alarm("lost", "right") == "unacknowledged"
    assert player.alarm("lost", "left") == "normal"
