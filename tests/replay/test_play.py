from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest

from tocsin.cli import main

if TYPE_CHECKING:
    from pathlib import Path

SITE = """\
[bank]
chemistry = "lfp"
capacity_ah = 280
cells_in_series = 4
[[pack]]
name = "left"
driver = "trace"
[[output]]
name = "charge"
role = "charge-permit"
[[output]]
name = "loads"
role = "load-permit"
stage = 1
[[output]]
name = "horn"
role = "horn"
[journal]
folder = "nowhere"
"""
HEAD = "t_s,pack,current_a,soc_pct,cell_v_1,cell_v_2,cell_v_3,cell_v_4,temp_c_1"


def trace(folder: Path, rows: list[str]) -> list[str]:
    (folder / "site.toml").write_text(SITE)
    (folder / "trace.csv").write_text("\n".join((HEAD, *rows)) + "\n")
    return [str(folder / "site.toml"), str(folder / "trace.csv")]


def row(at_s: float, cell_v: float = 3.3, temp_c: float = 20.0) -> str:
    return f"{at_s},left,-10,50,3.3,{cell_v},3.3,3.3,{temp_c}"


def emptying() -> list[str]:
    return [row(n, 3.3 if n < 60 else 2.9) for n in range(200)]


def replayed(
    folder: Path, rows: list[str], capsys: pytest.CaptureFixture[str]
) -> list[dict[str, object]]:
    assert main(["replay", *trace(folder, rows), "--json"]) == 0
    return [json.loads(line) for line in capsys.readouterr().out.splitlines()]


def test_events_come_in_order_of_time_and_the_last_line_sums_up(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    *events, summary = replayed(tmp_path, emptying(), capsys)
    times = [event["t_s"] for event in events]
    assert times == sorted(times)  # type: ignore[type-var]
    assert summary["kind"] == "summary"
    assert summary["rows"] == 200
    assert summary["trace_s"] == 199
    assert summary.keys() >= {"wall_s", "rows_per_s"}
    assert {event["kind"] for event in events} >= {"alarm", "output", "source"}


def test_an_alarm_row_has_what_the_contract_names(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    events = replayed(tmp_path, emptying(), capsys)
    raised = next(e for e in events if e["kind"] == "alarm")
    named = "t_s kind alarm priority state subject value unit message"
    assert raised.keys() >= set(named.split())
    assert (raised["subject"], raised["value"], raised["unit"]) == ("left/2", 2.9, "V")
    horn = next(e for e in events if e["kind"] == "output" and e["role"] == "horn")
    assert horn.keys() >= {"output", "role", "energised", "because"}


def test_a_gap_longer_than_the_stale_time_is_a_lost_source(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rows = [row(n) for n in range(30)] + [row(n) for n in range(100, 130)]
    events = replayed(tmp_path, rows, capsys)
    sources = [(e["t_s"], e["state"]) for e in events if e["kind"] == "source"]
    assert sources == [(0.0, "online"), (39.0, "lost"), (100.0, "online")]


def test_rows_that_were_not_read_drop_the_charge_permit_and_say_why(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rows = [row(n) for n in range(30)]
    rows += [f"{n},left,,,,,,," for n in range(30, 60)]
    events = replayed(tmp_path, rows, capsys)
    assert any("nothing was read" in str(e.get("reason")) for e in events)
    charge = [e["energised"] for e in events if e.get("output") == "charge"]
    assert charge[-1] is False


def test_a_pack_the_site_does_not_have_is_an_error_of_the_arguments(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    strange = row(0).replace("left", "middle")
    assert main(["replay", *trace(tmp_path, [strange])]) == 2
    said = capsys.readouterr().err
    assert "'middle'" in said
    assert "left" in said


def test_people_read_the_same_in_words(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["replay", *trace(tmp_path, emptying())]) == 0
    said = capsys.readouterr().out
    assert "left/2" in said
    assert "rows/s" in said.splitlines()[-1]


SHUNT = """\
[[source]]
name = "shunt"
driver = "rv-c"
interface = "socketcan"
channel = "can0"
instance = 1
gives = ["current"]
"""


def test_a_recording_holds_what_a_shunt_lent_so_a_replay_does_not_miss_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    arguments = trace(tmp_path, emptying())
    before = main(["replay", *arguments, "--json"]), capsys.readouterr().out
    (tmp_path / "site.toml").write_text(SITE + SHUNT)
    after = main(["replay", *arguments, "--json"]), capsys.readouterr().out
    assert after[0] == before[0] == 0
    assert "shunt" not in after[1]
    assert after[1].splitlines()[:-1] == before[1].splitlines()[:-1]


HEATED = (
    '[[output]]\nname = "warm"\nrole = "heater-call"\n[output.heater]\nwatts = 50\n'
)


@pytest.mark.parametrize(
    ("starts_at", "heats"), [([], False), (["--starts-at", "07:00"], True)]
)
def test_the_local_time_of_the_first_row_decides_what_waits_for_morning(
    starts_at: list[str],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    *,
    heats: bool,
) -> None:
    paths = trace(tmp_path, [row(n, temp_c=6.0) for n in range(30)])
    with (tmp_path / "site.toml").open("a") as file:
        file.write(HEATED + 'charge_at = "07:00"\n')
    assert main(["replay", *paths, "--json", *starts_at]) == 0
    rows = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    outputs = [r for r in rows if r["kind"] == "output" and r["output"] == "warm"]
    assert outputs[-1]["energised"] is heats


@pytest.mark.parametrize(
    ("starts_at", "heats"), [([], False), (["--starts-at", "07:00"], True)]
)
def test_a_comparison_starts_at_that_time_too(
    starts_at: list[str],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    *,
    heats: bool,
) -> None:
    site, recording = trace(tmp_path, [row(n, temp_c=6.0) for n in range(30)])
    with (tmp_path / "site.toml").open("a") as file:
        file.write(HEATED + 'charge_at = "07:00"\n')
    argv = ["replay", site, recording, "--compare", site, "--json", *starts_at]
    assert main(argv) == 0
    said = json.loads(capsys.readouterr().out)
    called_min = said["output_min"].get("warm", [0.0, 0.0])
    assert (called_min[0] > 0) is heats


@pytest.mark.parametrize("text", ["7:00", "24:00", "noon"])
def test_what_is_no_time_of_day_is_refused(text: str, tmp_path: Path) -> None:
    paths = trace(tmp_path, emptying())
    with pytest.raises(SystemExit) as caught:
        main(["replay", *paths, "--starts-at", text])
    assert caught.value.code == 2
