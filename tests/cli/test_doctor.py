"""`tocsin doctor` as people and programs call it, on the machine of the tests."""

from __future__ import annotations

import asyncio
import json
from pathlib import Path

import pytest

from doctor_stage import NOW_MS, complete
from tocsin.cli import doctor as command
from tocsin.cli import main
from tocsin.doctor import Finding, Machine, State, Topic, examine
from tocsin_config import load

SITES = Path(__file__).parents[2] / "deploy" / "sites"

SITE = """\
[bank]
capacity_ah = 280
cells_in_series = 16
[[pack]]
name = "left"
driver = "simulated"
[journal]
folder = "{folder}"
[page]
enabled = false
"""


def site(folder: Path) -> Path:
    path = folder / "site.toml"
    path.write_text(SITE.format(folder=folder / "journal"))
    return path


def finding(state: State, **changes: str) -> Finding:
    words = {"means": "meaning", "todo": "deed", **changes}
    return Finding(
        topic=Topic.DISK, state=state, looked_at="thing", seen="sight", **words
    )


def told(
    found: list[Finding], monkeypatch: pytest.MonkeyPatch, tmp_path: Path, *words: str
) -> int:
    monkeypatch.setattr(command, "examine", lambda *_, **__: found)
    return main(["doctor", str(site(tmp_path)), *words])


@pytest.mark.parametrize("state", list(State))
def test_only_what_is_wrong_makes_it_fail(
    state: State, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    code = told([finding(state)], monkeypatch, tmp_path)
    assert code == int(state is State.WRONG)


def test_each_finding_says_what_was_seen_what_it_means_and_what_to_do(
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    found = [finding(State.WRONG), finding(State.GOOD, means="", todo="")]
    told(found, monkeypatch, tmp_path)
    out = capsys.readouterr().out
    assert out.startswith(
        "WRONG: disk: thing: sight\n    means: meaning\n    do: deed\n"
    )
    assert "good: disk" not in out
    assert out.endswith("1 wrong, 0 doubtful, 0 not told, 1 good\n")
    told(found, monkeypatch, tmp_path, "--all")
    assert "good: disk: thing: sight\n" in capsys.readouterr().out


def test_a_program_gets_everything(
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    found = [finding(State.UNTOLD), finding(State.GOOD, means="", todo="")]
    assert told(found, monkeypatch, tmp_path, "--json") == 0
    said = json.loads(capsys.readouterr().out)
    assert said["ok"] is True
    counts = {"wrong": 0, "doubtful": 0, "could not be told": 1, "good": 1}
    assert said["counts"] == counts
    assert said["findings"][0] == {
        "topic": "disk",
        "state": "could not be told",
        "looked_at": "thing",
        "seen": "sight",
        "means": "meaning",
        "todo": "deed",
    }


def test_a_site_file_that_is_wrong_ends_with_2(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    path.write_text("[bank]\n")
    assert main(["doctor", str(path)]) == 2


def test_nothing_is_written_anywhere_near_the_site(tmp_path: Path) -> None:
    path = site(tmp_path)
    before = sorted(tmp_path.rglob("*"))
    main(["doctor", str(path), "--json"])
    assert sorted(tmp_path.rglob("*")) == before


@pytest.mark.parametrize("path", sorted(SITES.glob("*.toml")), ids=lambda p: p.name)
def test_every_sample_site_is_looked_at_without_a_look_that_fails(path: Path) -> None:
    setup = load(path)
    found = complete(examine(setup, machine=Machine(wall_ms=lambda: NOW_MS)))
    assert [f for f in found if f.looked_at.startswith("the look at")] == []
    order = list(State)
    places = [order.index(f.state) for f in found]
    assert places == sorted(places), "worst first"


def test_looking_leaves_no_loop_and_no_task_behind(tmp_path: Path) -> None:
    examine(load(site(tmp_path)))
    with pytest.raises(RuntimeError):
        asyncio.get_running_loop()
