"""Pages of the history: nothing lost between two, and none too large."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest

from history_stage import WALL_MS, Clock, Noisy, keeper, site
from tocsin.history import HistoryError, reader
from tocsin.history.pages import page

if TYPE_CHECKING:
    from pathlib import Path

    from tocsin.history.sampling import Heard


def kept(folder: Path, heard: list[Heard], packs: int = 2) -> None:
    made = keeper(folder, site(folder, packs=packs), Clock(heard[-1].at_ms))
    made.keep(heard)
    made.store.close()


def every(folder: Path, until_ms: int, step_ms: int) -> list[dict[str, Any]]:
    pages, since_ms = [], WALL_MS
    while True:
        told = page(folder, since_ms=since_ms, until_ms=until_ms, step_ms=step_ms)
        pages.append(told)
        if told["next_s"] is None:
            return pages
        assert told["next_s"] * 1000 > since_ms, "it goes on"
        since_ms = round(told["next_s"] * 1000)


def test_pages_one_after_the_other_hold_every_sample_once(tmp_path: Path) -> None:
    packs = [Noisy("p1"), Noisy("p2")]
    heard = [pack.at(t) for t in range(400) for pack in packs]
    kept(tmp_path, sorted(heard, key=lambda one: one.at_ms))
    until_ms = WALL_MS + 7 * 3_600_000
    pages = every(tmp_path, until_ms, 0)
    rows = [(round(t * 1000), pack) for each in pages for t, pack, _ in each["rows"]]
    wanted = [
        (one.at_ms, one.pack)
        for one in reader.samples(tmp_path, since_ms=0, until_ms=until_ms)
    ]
    assert rows == wanted
    assert len(pages) > 3
    assert max(len(json.dumps(each)) for each in pages) < 65_536


def test_values_are_in_units_people_read_by_the_names_of_their_pack(
    tmp_path: Path,
) -> None:
    one = Noisy("p1").at(0)
    kept(tmp_path, [one], packs=1)
    told = page(tmp_path, since_ms=WALL_MS, until_ms=WALL_MS + 60_000, step_ms=0)
    values = dict(zip(told["names"]["p1"], told["rows"][0][2], strict=True))
    assert values["cell/7"] == one.sample.cells_mv[6] / 1000
    assert values["temp/1"] == one.sample.temps_dc[0] / 10


@pytest.mark.parametrize(("step_s", "rows"), [(0, 60), (9, 7), (10, 6), (100, 1)])
def test_of_each_pack_one_row_a_step_is_taken(
    step_s: int, rows: int, tmp_path: Path
) -> None:
    pack = Noisy("p1", cells=1, temps=1)
    heard = [pack.at(t) for t in range(60)]
    even = [replace(one, at_ms=WALL_MS + t * 1_000) for t, one in enumerate(heard)]
    kept(tmp_path, even, packs=1)
    (told,) = every(tmp_path, WALL_MS + 60_000, step_s * 1000)
    assert len(told["rows"]) == rows


def test_little_is_looked_at_for_one_page_however_long_the_span(tmp_path: Path) -> None:
    pack = Noisy("p1", cells=1, temps=1)
    kept(tmp_path, [pack.at(0), pack.at(20 * 3_600)], packs=1)
    pages = every(tmp_path, WALL_MS + 24 * 3_600_000, 60_000)
    assert len(pages) == 4
    assert sum(len(each["rows"]) for each in pages) == 2


def test_without_a_history_the_reason_is_told(tmp_path: Path) -> None:
    with pytest.raises(HistoryError, match="there is no history"):
        page(tmp_path, since_ms=0, until_ms=1, step_ms=0)
