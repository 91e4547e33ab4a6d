"""What outputs have done survives a restart, or is refused whole with its reason."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest

from core_builders import Player, output, site
from tocsin import files, kept
from tocsin.core.counts import Counts
from tocsin.core.dawn import Dawn
from tocsin.core.genset import Phase, Run
from tocsin.core.plant import GeneratorPlan
from tocsin.core.rules import Role
from tocsin.kept import KeptError

if TYPE_CHECKING:
    from pathlib import Path

    from tocsin.core.state import State

WALL_MS = 1_780_000_000_000
SITE = site(
    outputs=[
        output("charge", Role.CHARGE_PERMIT),
        output("set", Role.GENERATOR_CALL, generator=GeneratorPlan()),
    ]
)
COUNTS = Counts(
    operations=7,
    run_ms=3_600_000,
    starts=5,
    failed=3,
    locked=True,
    stopped_ms=50_000,
    ran_ms=-90_000,
    tested_ms=None,
)
BEGINS = (25_200_000, 27_000_000)


def _state(counts: Counts = COUNTS, **changes: Any) -> State:
    player = Player(SITE, now_ms=100_000)
    charge, of_set = player.state.outputs
    outputs = (charge, replace(of_set, counts=counts, **changes))
    return replace(player.state, outputs=outputs, dawn=Dawn(begins_ms=BEGINS))


def _text(state: State | None = None) -> str:
    return kept.written(state or _state(), SITE, wall_ms=WALL_MS)


def _read(text: str, **times: int) -> tuple[dict[str, Counts], tuple[int, ...]]:
    values = {"wall_ms": WALL_MS, "now_ms": 100_000} | times
    return kept.read(text, SITE, **values)


def test_what_is_written_is_read_again() -> None:
    counts, begins = _read(_text())
    assert counts == {"charge": Counts(), "set": COUNTS}
    assert begins == BEGINS


def test_moments_are_in_the_times_of_the_new_run() -> None:
    counts, _ = _read(_text(), wall_ms=WALL_MS + 60_000, now_ms=1_000)
    assert counts["set"].stopped_ms == 1_000 - 60_000 - 50_000
    assert counts["set"].ran_ms == 1_000 - 60_000 - 190_000


def test_a_wall_clock_that_went_back_makes_no_moment_of_the_future() -> None:
    counts, _ = _read(_text(), wall_ms=WALL_MS - 10**9, now_ms=1_000)
    assert counts["set"].stopped_ms == 1_000


def test_a_daemon_that_ended_while_the_set_ran_stopped_it() -> None:
    running = _state(Counts(), run=Run(phase=Phase.RUNNING))
    counts, _ = _read(_text(running), now_ms=777)
    assert counts["set"].stopped_ms == 777


@pytest.mark.parametrize(
    ("phase", "failed"),
    [(Phase.DELAY, 1), (Phase.STARTING, 2), (Phase.WARMING, 1), (Phase.PAUSE, 1)],
)
def test_a_start_that_the_daemon_s_end_broke_off_came_to_nothing(
    phase: Phase, failed: int
) -> None:
    state = _state(Counts(failed=1), run=Run(phase=phase))
    counts, _ = _read(_text(state))
    assert counts["set"].failed == failed


def test_a_file_from_before_starts_were_told_apart_is_read() -> None:
    whole = json.loads(_text())
    del whole["sha256"], whole["kept"]["outputs"]["set"]["starting"]
    assert _read(json.dumps(whole))[0]["set"] == COUNTS


def test_an_output_that_is_gone_is_left_out() -> None:
    other = site(outputs=[output("charge", Role.CHARGE_PERMIT)])
    counts, _ = kept.read(_text(), other, wall_ms=WALL_MS, now_ms=0)
    assert set(counts) == {"charge"}


@pytest.mark.parametrize("share", [0.0, 0.01, 0.3, 0.7, 0.99])
def test_a_file_cut_short_anywhere_is_refused(share: float) -> None:
    text = _text()
    with pytest.raises(KeptError, match="damaged"):
        _read(text[: int(len(text) * share)])


@pytest.mark.parametrize(
    ("key", "value"),
    [
        *(("operations", -1), ("starts", 1.5), ("run_ms", "long"), ("failed", True)),
        *(("starts", float("nan")), ("run_ms", 10**18), ("operations", 10**400)),
    ],
)
def test_what_is_no_count_is_refused(key: str, value: object) -> None:
    whole = json.loads(_text())
    whole["kept"]["outputs"]["set"][key] = value
    del whole["sha256"]
    with pytest.raises(KeptError, match="damaged"):
        _read(json.dumps(whole))


def test_a_changed_digit_is_refused_unless_a_person_took_the_digest_out() -> None:
    whole = json.loads(_text())
    whole["kept"]["outputs"]["charge"]["operations"] = 12
    with pytest.raises(KeptError, match="sha256"):
        _read(json.dumps(whole))
    del whole["sha256"]
    assert _read(json.dumps(whole))[0]["charge"].operations == 12


def test_the_largest_count_is_taken() -> None:
    whole = json.loads(_text())
    whole["kept"]["outputs"]["set"]["run_ms"] = 10**18 - 1
    del whole["sha256"]
    assert _read(json.dumps(whole))[0]["set"].run_ms == 10**18 - 1


def test_a_file_that_is_nested_without_end_is_refused() -> None:
    with pytest.raises(KeptError, match="damaged"):
        _read("[" * 100_000)


@pytest.mark.parametrize("text", ["[]", "7", '{"version": 2, "kept": {}}', "null"])
def test_anything_else_is_refused(text: str) -> None:
    with pytest.raises(KeptError, match=r"damaged|version"):
        _read(text)


def test_no_file_is_nothing_and_a_saved_one_is_found(tmp_path: Path) -> None:
    assert kept.load(tmp_path, SITE, wall_ms=WALL_MS, now_ms=0) == ({}, ())
    files.save(tmp_path / kept.FILE, _text())
    assert kept.load(tmp_path, SITE, wall_ms=WALL_MS, now_ms=0)[1] == BEGINS
    assert [path.name for path in tmp_path.iterdir()] == ["counts.json"]


def test_a_folder_or_a_huge_file_in_its_place_is_refused(tmp_path: Path) -> None:
    (tmp_path / kept.FILE).mkdir()
    with pytest.raises(KeptError, match="cannot be read"):
        kept.load(tmp_path, SITE, wall_ms=WALL_MS, now_ms=0)
    (tmp_path / kept.FILE).rmdir()
    (tmp_path / kept.FILE).write_text(" " * 1_000_001)
    with pytest.raises(KeptError, match="too large"):
        kept.load(tmp_path, SITE, wall_ms=WALL_MS, now_ms=0)


def test_what_must_be_saved_soon_is_what_a_restart_must_not_forget() -> None:
    worn = replace(COUNTS, operations=8, run_ms=1)
    assert kept.pressing(_state()) == kept.pressing(_state(worn))
    for counts in (replace(COUNTS, locked=False), replace(COUNTS, failed=2)):
        assert kept.pressing(_state()) != kept.pressing(_state(counts))
    running = _state(run=Run(phase=Phase.RUNNING))
    assert kept.pressing(_state()) != kept.pressing(running)
    assert kept.pressing(running) != kept.pressing(
        _state(run=Run(phase=Phase.STARTING))
    )
