"""`tocsin check`: exit codes, what it prints, and its JSON."""

from __future__ import annotations

import argparse
import importlib.util
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from site_files import SMALL, written

if TYPE_CHECKING:
    import pytest

FILE = Path(__file__).parents[2] / "daemon" / "tocsin" / "cli" / "check.py"


def check(*words: str) -> int:
    """Run the command from its own file, so that no other command is needed."""
    spec = importlib.util.spec_from_file_location("check_alone", FILE)
    assert spec is not None
    assert spec.loader is not None
    command = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(command)
    parser = argparse.ArgumentParser()
    command.register(parser.add_subparsers(required=True))
    args = parser.parse_args(["check", *words])
    code: int = args.run(args)
    return code


def as_json(path: Path, capsys: pytest.CaptureFixture[str]) -> tuple[int, Any]:
    code = check(str(path), "--json")
    return code, json.loads(capsys.readouterr().out)


def test_a_file_that_can_be_used_exits_0_with_its_doubts(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = written(tmp_path, SMALL)
    assert check(str(path)) == 0
    out = capsys.readouterr().out
    assert f"{path}:6: pack[left].driver: left exists in recordings only" in out
    assert "no horn: nobody is woken" in out
    rows = {row.split()[0]: row.split() for row in out.splitlines() if "cell " in row}
    assert rows["high-cell"][1:7] == ["highest-cell", "3.600", "V", "3.450", "V", "2"]


def test_a_wrong_file_exits_2_with_every_mistake_on_a_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = SMALL.replace("= 280", "= 0").replace('"trace"', '"trce"')
    path = written(tmp_path, text)
    assert check(str(path)) == 2
    rows = capsys.readouterr().out.splitlines()
    assert [row.split(": ")[:2] for row in rows[:2]] == [
        [f"{path}:2", "bank.capacity_ah"],
        [f"{path}:6", "pack[left].driver"],
    ]
    assert rows[2] == f"{path}: 2 mistakes; it cannot be used"


def test_a_file_that_is_not_there_exits_2(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert check(str(tmp_path / "none.toml")) == 2
    assert "cannot be read" in capsys.readouterr().out


def test_json_says_the_same_to_a_program(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    output = (
        '[[output]]\nname = "heat"\nrole = "load-permit"\nstage = 2\npin = "GPIO22"\n'
    )
    code, said = as_json(written(tmp_path, SMALL + output), capsys)
    assert code == 0
    assert list(said) == ["ok", "errors", "doubts", "rules", "outputs", "lead_times"]
    assert (said["ok"], said["errors"], said["lead_times"]) == (True, [], None)
    by_name = {rule["rule"]: rule for rule in said["rules"]}
    assert by_name["shed-stage-2"] == {
        "rule": "shed-stage-2",
        "measure": "lowest-cell",
        "trip": 3.0,
        "clear": 3.25,
        "unit": "V",
        "delay_s": 20.0,
        "priority": "low",
        "actions": ["load-permit/2"],
    }
    (heat,) = said["outputs"]
    assert (heat["output"], heat["role"], heat["stage"]) == ("heat", "load-permit", 2)
    assert heat["pin"] == "GPIO22"
    assert {"shed-stage-2", "shed-stage-3", "source-lost"} <= set(heat["rules"])
    assert "shed-stage-1" not in heat["rules"]
    assert {"file", "line", "key", "wrong", "right"} == set(said["doubts"][0])


def test_json_of_a_wrong_file_has_its_errors_and_nothing_else(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = written(tmp_path, SMALL.replace("= 280", "= 0"))
    code, said = as_json(path, capsys)
    assert (code, said["ok"]) == (2, False)
    assert said["doubts"] == said["rules"] == said["outputs"] == []
    (error,) = said["errors"]
    assert (error["file"], error["line"], error["key"]) == (
        str(path),
        2,
        "bank.capacity_ah",
    )


def test_a_driver_that_is_not_installed_is_doubted(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    can = '"rv-c"\ninterface = "virtual"\nchannel = "c"\ninstance = 1'
    _, said = as_json(written(tmp_path, SMALL.replace('"trace"', can)), capsys)
    wrong = [doubt["wrong"] for doubt in said["doubts"] if doubt["line"] == 6]
    assert wrong == ["no driver rv-c is installed: `run` cannot read left"]
