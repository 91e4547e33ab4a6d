"""What was learned survives a restart, or is refused whole with its reason."""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from functools import cache
from math import sin
from typing import TYPE_CHECKING

import pytest

from core_builders import Player, reading
from site_files import SMALL, loaded
from tocsin import learned
from tocsin.core.events import Learned, Reading
from tocsin.learned import LearnedError
from tocsin_drivers.simbus.cell import Cell, CellDesign

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from tocsin.core.site import Site
    from tocsin.core.state import State

WALL_MS = 1_780_000_000_000
MINUTES = 90


@pytest.fixture
def site(tmp_path: Path) -> Site:
    return loaded(tmp_path, SMALL).site


@cache
def drawn() -> tuple[tuple[tuple[int, ...], int], ...]:
    """Volts and current of unlike cells under a load that swings, every 5 s."""
    cells = [
        Cell(CellDesign(capacity_ah=270 + k), soc=0.5 - 0.004 * k, temp_c=20.0)
        for k in range(16)
    ]
    rows = list[tuple[tuple[int, ...], int]]()
    for n in range(MINUTES * 12):
        current_a = -60.0 - 30.0 * sin(n / 40)
        for cell in cells:
            cell.advance(5.0, current_a, ambient_c=20.0)
        volts = (round(cell.terminal_v(current_a) * 1000) for cell in cells)
        rows.append((tuple(volts), round(current_a * 1000)))
    return tuple(rows)


def readings(first: int, last: int, *, begun_ms: int = 0) -> Iterator[Reading]:
    for n in range(first, last):
        cells_mv, current_ma = drawn()[n]
        at_ms = begun_ms + n * 5_000
        yield reading(
            at_ms,
            *cells_mv,
            current_ma=current_ma,
            soc_permille=500 - n // 12,
            temps_dc=(140 - n // 60, 380 + n // 60),
        )


def watched(site: Site, until: int) -> Player:
    player = Player(site)
    player.play(*readings(0, until))
    return player


def trackers(state: State) -> list[object]:
    return [pack.tracker for pack in state.packs]


def test_restoring_equals_never_having_stopped(site: Site) -> None:
    half, end = MINUTES * 6, MINUTES * 12
    steady = watched(site, half)
    text = learned.written(steady.state, site, wall_ms=WALL_MS)
    now_s = (half - 1) * 5.0
    known = learned.read(text, site, wall_ms=WALL_MS, now_s=now_s)
    again = Player(site, now_ms=(half - 1) * 5_000)
    again.play(
        *(
            Learned(at_ms=again.state.now_ms, pack=name, tracker=tracker)
            for name, tracker in known.items()
        )
    )
    assert trackers(again.state) == trackers(steady.state)
    for player in (steady, again):
        player.play(*readings(half, end))
    assert trackers(again.state) == trackers(steady.state)
    told = again.state.packs[0].foretold()
    assert told[0].likely_ms is not None
    assert known["left"].approaches


def test_the_times_of_this_run_are_taken_and_the_gap_is_one(site: Site) -> None:
    player = watched(site, 400)
    text = learned.written(player.state, site, wall_ms=WALL_MS)
    known = learned.read(text, site, wall_ms=WALL_MS + 60_000, now_s=1_000.0)
    at_s = next(iter(known.values())).at_s
    assert at_s == pytest.approx(1_000.0 - 60.0)


def test_a_wall_clock_that_went_back_is_no_gap(site: Site) -> None:
    text = learned.written(watched(site, 400).state, site, wall_ms=WALL_MS)
    known = learned.read(text, site, wall_ms=WALL_MS - 60_000, now_s=1_000.0)
    assert next(iter(known.values())).at_s == pytest.approx(1_000.0)


def test_what_this_run_knows_is_not_overwritten(site: Site) -> None:
    player = watched(site, 400)
    other = watched(site, 300).state.packs[0].tracker
    assert other is not None
    mine = player.state.packs[0].tracker
    name = site.bank.packs[0].name
    player.play(Learned(at_ms=player.state.now_ms, pack=name, tracker=other))
    assert player.state.packs[0].tracker is mine


@pytest.mark.parametrize("share", [0.0, 0.01, 0.3, 0.7, 0.999])
def test_a_file_cut_short_anywhere_is_refused(site: Site, share: float) -> None:
    text = learned.written(watched(site, 300).state, site, wall_ms=WALL_MS)
    with pytest.raises(LearnedError, match="damaged"):
        learned.read(text[: int(len(text) * share)], site, wall_ms=WALL_MS, now_s=0.0)


@pytest.mark.parametrize("place", [0.2, 0.5, 0.9])
def test_one_changed_digit_is_refused(site: Site, place: float) -> None:
    text = learned.written(watched(site, 300).state, site, wall_ms=WALL_MS)
    at = text.index("5", int(len(text) * place))
    with pytest.raises(LearnedError, match="damaged"):
        learned.read(text[:at] + "6" + text[at + 1 :], site, wall_ms=WALL_MS, now_s=0.0)


@pytest.mark.parametrize(
    ("key", "value", "why"),
    [
        ("version", 1, f"version 1, not {learned.VERSION}"),
        ("chemistry", "nmc", "another bank"),
        ("capacity_mah", 1, "another bank"),
        ("saved_ms", "soon", "damaged"),
        ("saved_ms", float("inf"), "damaged"),
        ("saved_ms", -(10**400), "damaged"),
        ("now_ms", 10**400, "damaged"),
        ("now_ms", "9" * 400, "damaged"),
    ],
)
def test_another_head_is_refused(site: Site, key: str, value: object, why: str) -> None:
    text = learned.written(watched(site, 300).state, site, wall_ms=WALL_MS)
    first, _, inside = text.partition("\n")
    head = json.loads(first) | {key: value}
    with pytest.raises(LearnedError, match=why):
        learned.read(json.dumps(head) + "\n" + inside, site, wall_ms=WALL_MS, now_s=0.0)


@pytest.mark.parametrize(
    "inside", ["7", "[]", "[" * 100_000, '{"left": 7}', '{"left": {"at_s": NaN}}']
)
def test_a_digest_that_is_right_makes_nothing_else_right(
    site: Site, inside: str
) -> None:
    text = learned.written(watched(site, 30).state, site, wall_ms=WALL_MS)
    head = json.loads(text.partition("\n")[0])
    head["sha256"] = hashlib.sha256(inside.encode()).hexdigest()
    with pytest.raises(LearnedError, match="damaged"):
        learned.read(f"{json.dumps(head)}\n{inside}\n", site, wall_ms=WALL_MS, now_s=0)


@pytest.mark.parametrize("sums", [[], [0.0] * 4, [0.0] * 6])
def test_a_row_of_another_length_is_not_remembered(
    site: Site, sums: list[float]
) -> None:
    text = learned.written(watched(site, 30).state, site, wall_ms=WALL_MS)
    first, _, inside = text.removesuffix("\n").partition("\n")
    packs = json.loads(inside)
    packs["left"]["thermal"]["sums"] = sums
    inside = json.dumps(packs)
    digest = hashlib.sha256(inside.encode()).hexdigest()
    head = json.dumps(json.loads(first) | {"sha256": digest})
    with pytest.raises(LearnedError, match="a row is wrong"):
        learned.read(f"{head}\n{inside}\n", site, wall_ms=WALL_MS, now_s=0)


def with_current(site: Site, number: str) -> str:
    """Return what is remembered, under a right digest, with another current."""
    text = learned.written(watched(site, 30).state, site, wall_ms=WALL_MS)
    first, _, inside = text.removesuffix("\n").partition("\n")
    current_a = json.loads(inside)["left"]["current_a"]
    inside = inside.replace(f'"current_a": {current_a}', f'"current_a": {number}')
    digest = hashlib.sha256(inside.encode()).hexdigest()
    head = json.dumps(json.loads(first) | {"sha256": digest})
    return f"{head}\n{inside}\n"


@pytest.mark.parametrize(
    "number", ["NaN", "Infinity", '"inf"', "1e999", "1.001e30", "-1.001e30", "1e308"]
)
def test_what_is_no_number_or_beyond_any_sum_is_not_remembered(
    site: Site, number: str
) -> None:
    with pytest.raises(LearnedError, match="damaged"):
        learned.read(with_current(site, number), site, wall_ms=WALL_MS, now_s=0)


@pytest.mark.parametrize("number", ["0.999e30", "1e30", "-1e30"])
def test_the_largest_number_is_remembered(site: Site, number: str) -> None:
    told = learned.read(with_current(site, number), site, wall_ms=WALL_MS, now_s=0)
    assert told["left"].current_a == float(number)


@pytest.mark.parametrize(
    ("days", "is_old"), [(29.99, False), (30.0, False), (30.01, True)]
)
def test_a_month_is_too_old(site: Site, days: float, *, is_old: bool) -> None:
    text = learned.written(watched(site, 300).state, site, wall_ms=WALL_MS)
    wall_ms = WALL_MS + round(days * 86_400_000)
    if is_old:
        with pytest.raises(LearnedError, match="30 days old"):
            learned.read(text, site, wall_ms=wall_ms, now_s=0.0)
    else:
        assert learned.read(text, site, wall_ms=wall_ms, now_s=0.0)


def test_another_number_of_cells_is_refused(site: Site) -> None:
    text = learned.written(watched(site, 300).state, site, wall_ms=WALL_MS)
    pack = replace(site.bank.packs[0], cells=15)
    other = replace(site, bank=replace(site.bank, packs=(pack,)))
    with pytest.raises(LearnedError, match="16 cells of left, which has 15"):
        learned.read(text, other, wall_ms=WALL_MS, now_s=0.0)


def test_no_file_is_nothing_and_a_saved_one_is_found(
    site: Site, tmp_path: Path
) -> None:
    assert learned.load(tmp_path, site, wall_ms=WALL_MS, now_s=0.0) == {}
    state = watched(site, 300).state
    learned.save(tmp_path, learned.written(state, site, wall_ms=WALL_MS))
    assert set(learned.load(tmp_path, site, wall_ms=WALL_MS, now_s=0.0)) == {"left"}
    assert [path.name for path in tmp_path.glob("learned*")] == ["learned.json"]


def test_a_folder_in_its_place_is_refused_not_raised(
    site: Site, tmp_path: Path
) -> None:
    (tmp_path / "learned.json").mkdir()
    with pytest.raises(LearnedError, match="cannot be read"):
        learned.load(tmp_path, site, wall_ms=WALL_MS, now_s=0.0)
