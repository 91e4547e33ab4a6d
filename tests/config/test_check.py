"""`tocsin check`: exit codes, what it prints, and its JSON."""

from __future__ import annotations

import argparse
import importlib.metadata
import importlib.util
import json
from pathlib import Path
from typing import Any

import pytest

from site_files import SMALL, written

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
    table = out.split("On paper")[0].splitlines()
    rows = {row.split()[0]: row.split() for row in table if "cell " in row}
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
    assert list(said) == [
        "ok",
        "errors",
        "doubts",
        "rules",
        "outputs",
        "circuits",
        "inputs",
        "cautions",
        "history",
        "lead_times",
        "proof",
    ]
    assert (said["ok"], said["errors"]) == (True, [])
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
    assert said["lead_times"] is None
    (error,) = said["errors"]
    assert (error["file"], error["line"], error["key"]) == (
        str(path),
        2,
        "bank.capacity_ah",
    )


def test_a_driver_that_is_not_installed_is_doubted(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    none = importlib.metadata.EntryPoints(())
    monkeypatch.setattr(importlib.metadata, "entry_points", lambda **_: none)
    path = written(tmp_path, SMALL.replace('"trace"', '"sunspec"\nhost = "h"'))
    _, said = as_json(path, capsys)
    wrong = [doubt["wrong"] for doubt in said["doubts"] if doubt["line"] == 6]
    assert wrong == ["no driver sunspec is installed: `run` cannot read left"]


RV_C = '"rv-c"\ninterface = "virtual"\nchannel = "c"\ninstance = 1'


def test_a_pack_without_cells_is_told_which_rules_cannot_work_on_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = written(tmp_path, SMALL.replace('"trace"', RV_C))
    code, said = as_json(path, capsys)
    (wrong,) = [d["wrong"] for d in said["doubts"] if "no cells" in d["wrong"]]
    assert code == 0
    for name in ("low-cell", "high-cell", "low-cell-forecast", "cell-spread-top"):
        assert f" {name}," in wrong
    assert "cold-charge" not in wrong, "a temperature is said"
    assert "not-measured keeps the permits dropped" in wrong
    path = written(tmp_path, SMALL.replace('"trace"', '"sunspec"\nhost = "h"'))
    _, said = as_json(path, capsys)
    assert not [d for d in said["doubts"] if "no cells" in d["wrong"]]


SODIUM = SMALL.replace("[bank]", '[bank]\nchemistry = "sodium-ion"')


def test_a_line_a_limit_names_the_least_time_and_where(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = written(tmp_path, SMALL)
    assert check(str(path)) == 0
    said = capsys.readouterr().out
    low, high = said.split("On paper: ")[1:]
    assert low.startswith("Minutes from each limit to the protector's cut-off at 2.800")
    assert high.startswith("Seconds from each limit to the protector's cut-off at 3.75")
    (row,) = [row for row in low.splitlines() if row.startswith("shed-stage-3 ")]
    assert row.split()[1:5] == ["2.900", "V", "for", "5"]
    assert row.endswith("1C, 0 degC, new")
    assert "degC   " not in low
    assert "Yours differs." in high


def test_the_whole_table_has_every_case(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = written(tmp_path, SMALL)
    assert check(str(path), "--table") == 0
    rows = capsys.readouterr().out.splitlines()
    at = rows.index("low-cell, min  cell  0.05C  0.1C  0.2C  0.5C  1C")
    cases = [row.split() for row in rows[at + 1 : at + 11]]
    assert [case[0] for case in cases] == [
        temp for temp in ("-10", "0", "10", "25", "40") for _ in "na"
    ]
    assert [case[2] for case in cases] == ["new", "aged"] * 5
    assert [case[-1].startswith("(") for case in cases] == [False, True] + [False] * 8
    _, said = as_json(path, capsys)
    (limit,) = [
        limit for limit in said["lead_times"]["limits"] if limit["rule"] == "low-cell"
    ]
    shown = [float(word.strip("()")) for case in cases for word in case[3:]]
    told = {
        (case["temp_degc"], case["aged"], case["rate_c"]): case["min"]
        for case in limit["cases"]
    }
    ordered = [told[key] for key in sorted(told)]
    assert all(
        0 <= more - less < 0.11 for less, more in zip(shown, ordered, strict=True)
    )


def test_json_has_what_every_limit_gives(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    _, said = as_json(written(tmp_path, SMALL), capsys)
    leads = said["lead_times"]
    assert (leads["lead_min"], leads["low_cell_v"], leads["high_cell_v"]) == (
        15.0,
        2.8,
        3.75,
    )
    by_name = {limit["rule"]: limit for limit in leads["limits"]}
    assert list(by_name) == [
        *("low-cell-early", "low-cell", "shed-stage-1", "shed-stage-2", "shed-stage-3"),
        *("high-cell", "high-cell-urgent", "rising-cell"),
    ]
    early = by_name["low-cell-early"]
    assert (early["side"], early["unit"], early["trip_v"]) == ("low", "min", 3.1)
    assert (early["delay_s"], early["short"], len(early["cases"])) == (60.0, True, 50)
    assert early["least"]["min"] <= early["median"] <= early["most"]["min"]
    assert early["least"] in early["cases"]
    high = by_name["high-cell"]
    assert (high["side"], high["unit"], len(high["cases"])) == ("high", "s", 24)
    assert [case["temp_degc"] for case in leads["not_carried"]] == [-10.0]
    assert leads["not_worked_out"] == []


def test_a_chemistry_without_a_published_curve_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = written(tmp_path, SODIUM)
    assert check(str(path)) == 0
    out = capsys.readouterr().out
    assert (
        "On paper: no open-circuit curve is published for sodium-ion, "
        "so no lead times on paper\n" in out
    )
    assert as_json(path, capsys)[1]["lead_times"] is None
    plot = tmp_path / "leads.svg"
    assert check(str(path), "--plot", str(plot)) == 1
    assert "was not drawn: no open-circuit curve" in capsys.readouterr().err
    assert not plot.exists()


def test_a_picture_is_drawn_beside_the_words_and_beside_the_json(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path, plot = written(tmp_path, SMALL), tmp_path / "leads.svg"
    for more in ([], ["--json"]):
        assert check(str(path), "--plot", str(plot), *more) == 0
        assert plot.read_text("utf-8").startswith("<svg")
        plot.unlink()
    assert capsys.readouterr().err == ""


def test_a_picture_that_cannot_be_written_exits_1_after_the_words(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    plot = tmp_path / "none" / "leads.svg"
    assert check(str(written(tmp_path, SMALL)), "--plot", str(plot)) == 1
    said = capsys.readouterr()
    assert "can be used" in said.out
    assert said.err == f"tocsin: {plot} was not drawn: No such file or directory\n"


def test_a_wrong_file_is_not_drawn_and_exits_2(tmp_path: Path) -> None:
    path = written(tmp_path, SMALL.replace("= 280", "= 0"))
    plot = tmp_path / "leads.svg"
    assert check(str(path), "--plot", str(plot)) == 2
    assert not plot.exists()


def test_a_picture_never_takes_the_place_of_a_site_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = written(tmp_path, SMALL)
    with pytest.raises(SystemExit) as caught:
        check(str(path), "--plot", str(path))
    assert caught.value.code == 2
    assert "does not end in .svg" in capsys.readouterr().err
    assert path.read_text("utf-8") == SMALL


WIRED = f"""\
{SMALL}[[output]]
name = "horn"
role = "horn"
pin = "GPIO25"
[output.circuit]
pull = "up"
driver = "opto"
input_ma = 5
[output.reliability]
parts = {{ relay = 1e-6 }}
proof_test_months = 12
coverage_pct = 100
life_years = 15
"""


def test_circuits_are_among_what_is_doubtful(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = written(tmp_path, WIRED)
    assert check(str(path)) == 0
    said = capsys.readouterr().out
    assert (
        f"{path}:12: output[horn].circuit.pull: unsafe (level at boot): at boot GPIO25 "
        "is high, which energises this output; a pin from GPIO9 to GPIO27, with 10 "
        "kohm down at the driver"
    ) in said
    assert "horn     1 unsafe, " in said


def test_a_chain_s_estimate_claims_no_sil(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """1e-6/h tested once a year: 4.38e-3, one demand in 228."""
    path = written(tmp_path, WIRED)
    check(str(path))
    said = capsys.readouterr().out
    assert "PFDavg about 0.0044 (one demand in 228 fails)" in said
    assert "No SIL is claimed" in said
    _, told = as_json(path, capsys)
    (circuit,) = told["circuits"]
    assert circuit["verdict"] == "unsafe"
    assert circuit["reliability"]["pfd_avg"] == pytest.approx(4.38e-3)
    assert "No SIL is claimed" in circuit["reliability"]["caveat"]
    boot = circuit["findings"][0]
    assert (boot["check"], boot["verdict"]) == ("level at boot", "unsafe")
    assert any("level at boot" in doubt["wrong"] for doubt in told["doubts"])


def test_without_circuits_nothing_is_said_of_them(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = written(tmp_path, SMALL)
    check(str(path))
    assert "\ncircuit " not in capsys.readouterr().out
    assert as_json(path, capsys)[1]["circuits"] == []


# --- history -------------------------------------------------------------------------

HISTORY = "[history]\n{}\n"


@pytest.mark.parametrize(
    ("text", "doubted"),
    [("", ""), ("max_mb = 5", "max_mb"), ("batch_s = 1", "batch_s")],
)
def test_a_history_that_takes_more_than_it_may_is_doubted(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str, doubted: str
) -> None:
    path = written(tmp_path, SMALL + HISTORY.format(text))
    code, told = as_json(path, capsys)
    assert code == 0
    found = [d["key"] for d in told["doubts"] if d["key"].startswith("history")]
    assert found == ([f"history.{doubted}"] if doubted else [])
    assert told["history"]["held_mb"] < 100


def test_check_says_how_much_room_a_history_takes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = written(tmp_path, SMALL)
    check(str(path))
    assert "MB written a day; at most 600 MB" in capsys.readouterr().out
    path = written(tmp_path, SMALL + HISTORY.format("enabled = false"))
    check(str(path))
    assert "history: off, no samples are kept" in capsys.readouterr().out
