"""A history as a trace, and one trace under two sets of limits."""

from __future__ import annotations

import csv
import io
import json
from itertools import pairwise
from typing import TYPE_CHECKING

import pytest

from history_stage import WALL_MS, Noisy, keeper, plain, site
from site_files import loaded, written
from tocsin.cli import main
from tocsin.core.model import Sample
from tocsin.history import reader
from tocsin.history.kinds import Tier
from tocsin.history.reader import Kept
from tocsin.replay.compare import ONSET_MS, tally
from tocsin.replay.export import FILL_MS, trace_header, write_trace
from tocsin.trace import Row, parse_trace

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from tocsin_config import Setup

SITE = """\
[bank]
capacity_ah = 280
cells_in_series = 1
[journal]
folder = "."
[[pack]]
name = "p1"
driver = "trace"
[[output]]
name = "charge"
role = "charge-permit"
[[output]]
name = "drying"
role = "load-permit"
stage = 1
[[rule]]
name = "shed-stage-1"
trip_v = {trip}
clear_v = 3.25
"""


def exported(kept: list[Kept]) -> tuple[list[Row], str]:
    file = io.StringIO()
    names = {name for one in kept for name in one.values}
    write_trace(kept, trace_header(names), file)
    text = file.getvalue()
    return list(parse_trace(io.StringIO(text), "trace")), text


def test_what_was_heard_comes_back_from_the_trace_as_it_was(tmp_path: Path) -> None:
    packs = [Noisy("p1"), Noisy("p2")]
    heard = [pack.at(t_s) for t_s in range(300) for pack in packs]
    made = keeper(tmp_path, site(tmp_path, packs=2))
    made.keep(heard)
    made.store.close()
    kept = list(reader.samples(tmp_path, since_ms=0, until_ms=2**60))
    rows, _ = exported(kept)
    wanted = sorted(heard, key=lambda one: (one.at_ms, one.pack))
    assert len(rows) == 600
    for row, one in zip(rows, wanted, strict=True):
        assert (row.at_ms, row.pack) == (one.at_ms, one.pack)
        assert row.sample == Sample(
            cells_mv=one.sample.cells_mv,
            temps_dc=one.sample.temps_dc,
            current_ma=one.sample.current_ma,
            soc_permille=one.sample.soc_permille,
        )


def bucket(at_ms: int, cell_mv: int, pack: str = "p1") -> Kept:
    return Kept(at_ms, pack, {"cell/1": cell_mv}, Tier.MINUTE)


def test_minutes_become_rows_on_a_straight_line_close_enough_to_count() -> None:
    rows, _ = exported(
        [bucket(60_000 * i, 3_000 + 12 * i, pack) for i in range(4) for pack in "ab"]
    )
    mine = [row for row in rows if row.pack == "a"]
    assert [row.at_ms for row in mine] == list(range(0, 180_001, FILL_MS))
    levels = [row.sample.cells_mv[0] for row in mine if row.sample]
    assert levels == [3_000 + i for i in range(37)]
    assert all(a.at_ms <= b.at_ms for a, b in pairwise(rows))


def test_a_silence_between_minutes_stays_a_silence() -> None:
    rows, _ = exported([bucket(0, 3_000), bucket(600_000, 3_000)])
    assert [row.at_ms for row in rows] == [0, 600_000]


def test_what_a_pack_does_not_say_is_an_empty_field() -> None:
    rows, text = exported(
        [Kept(1_500, "p1", {"cell/2": 3_300, "temp/1": -55}, Tier.RAW)]
    )
    (fields,) = list(csv.DictReader(io.StringIO(text)))
    assert fields == {
        "t_s": "1.500",
        "pack": "p1",
        "current_a": "",
        "soc_pct": "",
        "cell_v_1": "",
        "cell_v_2": "3.300",
        "temp_c_1": "-5.5",
    }
    assert rows[0].missing == "cell 1 was not read"


# --- compare --------------------------------------------------------------------------


def falling(floor_mv: int = 2_780) -> Iterator[Row]:
    """A cell that falls from 3.3 V by 1 mV every 2 s, and stays at *floor_mv*."""
    for i in range(900):
        sample = Sample(
            cells_mv=(max(floor_mv, 3_300 - i),), temps_dc=(200,), current_ma=-20_000
        )
        yield Row(2_000 * i, "p1", sample)


def setup(folder: Path, trip: float) -> Setup:
    return loaded(folder, SITE.format(trip=trip))


@pytest.mark.parametrize("trip_mv", [3_050, 3_100, 3_200])
def test_minutes_shed_are_those_from_the_drop_on(tmp_path: Path, trip_mv: int) -> None:
    made = tally(falling(), setup(tmp_path, trip_mv / 1000).site)
    rule_s = 2 * (3_300 - trip_mv) + 60
    assert made.acting_ms["drying"] == 1000 * (2 * 899 - rule_s)
    assert made.raised["shed-stage-1"] == 1


def test_the_lead_is_from_the_first_alarm_that_was_still_up(tmp_path: Path) -> None:
    made = tally(falling(), setup(tmp_path, 3.2).site)
    (cut,) = made.reached
    assert (cut.limit, cut.at_ms) == ("low", 2_000 * 500)
    assert cut.by == "shed-stage-1"
    assert cut.lead_ms == cut.at_ms - 1000 * (2 * 100 + 60)


@pytest.mark.parametrize(("floor_mv", "count"), [(2_799, 1), (2_800, 1), (2_801, 0)])
def test_a_cut_off_is_at_the_limit_of_the_site_file(
    tmp_path: Path, floor_mv: int, count: int
) -> None:
    made = tally(falling(floor_mv), setup(tmp_path, 3.1).site)
    assert len(made.reached) == count


@pytest.mark.parametrize(("off_ms", "count"), [(-1, 1), (0, 1), (1, 2)])
def test_half_an_hour_later_it_is_another_cut_off(
    tmp_path: Path, off_ms: int, count: int
) -> None:
    low = Sample(cells_mv=(2_700,), temps_dc=(200,), current_ma=0)
    rows = [Row(at_ms, "p1", low) for at_ms in (0, ONSET_MS + off_ms)]
    assert len(tally(rows, setup(tmp_path, 3.1).site).reached) == count


def test_without_any_alarm_there_was_no_warning(tmp_path: Path) -> None:
    low = Sample(cells_mv=(2_700,), temps_dc=(200,), current_ma=0)
    made = tally([Row(0, "p1", low)], setup(tmp_path, 3.1).site)
    assert [(cut.lead_ms, cut.by) for cut in made.reached] == [(None, "")]


def trace_of(rows: Iterator[Row], path: Path) -> Path:
    lines = ["t_s,pack,current_a,soc_pct,cell_v_1,temp_c_1"]
    lines += [
        f"{r.at_ms / 1000},p1,-20,,{r.sample.cells_mv[0] / 1000},20"
        for r in rows
        if r.sample
    ]
    path.write_text("\n".join(lines) + "\n")
    return path


def test_the_command_sets_both_side_by_side(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "140")
    one = written(tmp_path, SITE.format(trip=3.1), "now.toml")
    other = written(tmp_path, SITE.format(trip=3.2), "then.toml")
    trace = trace_of(falling(), tmp_path / "t.csv")
    argv = ["replay", str(one), str(trace), "--compare", str(other)]
    assert main([*argv, "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["shed_min"] == [22.3, 25.63]
    assert said["output_min"]["drying"] == said["shed_min"]
    assert [[c["t_s"] for c in of] for of in said["cut_offs"]] == [[1_000], [1_000]]
    leads = [of[0]["lead_s"] for of in said["cut_offs"]]
    assert leads == [540.0, 740.0]
    assert main(argv) == 0
    out = capsys.readouterr().out
    assert "minutes shed, all stages together" in out
    assert "+3.3" in out
    assert "9.0 min (low-cell-early)" in out
    assert "12.3 min (shed-stage-1)" in out
    assert "0:16:40 of the trace" in out


def test_a_wrong_other_site_is_two(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    one = written(tmp_path, SITE.format(trip=3.1), "now.toml")
    other = written(tmp_path, "[bank]\n", "bad.toml")
    trace = trace_of(falling(), tmp_path / "t.csv")
    assert main(["replay", str(one), str(trace), "--compare", str(other)]) == 2
    assert "bad.toml" in capsys.readouterr().err


def test_a_trace_without_an_incident_makes_no_report(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    one = written(tmp_path, SITE.format(trip=3.1), "now.toml")
    trace = trace_of((Row(i * 1000, "p1", Sample(cells_mv=(3_300,))) for i in range(5)),
                     tmp_path / "t.csv")  # fmt: skip
    out = tmp_path / "none.html"
    assert main(["replay", str(one), str(trace), "--incident", str(out)]) == 1
    assert "no report was written" in capsys.readouterr().err
    assert not out.exists()


def test_the_history_command_says_what_is_kept(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = written(tmp_path, SITE.format(trip=3.1))
    assert main(["history", str(path)]) == 1
    assert "there is no history in" in capsys.readouterr().err
    made = keeper(tmp_path, loaded(tmp_path, SITE.format(trip=3.1)).site)
    made.keep([plain(WALL_MS + i, 3_300) for i in range(5)])
    made.store.close()
    assert main(["history", str(path), "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["from"] == "2026-01-16T18:00:00.000Z"
    assert said["packs"] == {"p1": ["cell/1", "flags"]}
    assert [tier["tier"] for tier in said["tiers"]] == ["raw"]
    assert main(["history", str(path), "export", "--pack", "nobody"]) == 2
    assert "no pack nobody" in capsys.readouterr().err
    argv = ["history", str(path), "export", "--from", "2020-01-01"]
    assert main([*argv, "--to", "2020-01-02"]) == 1
    assert "nothing is kept of that time" in capsys.readouterr().err
