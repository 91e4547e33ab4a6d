"""Three bad hours on the simulated bus: what the report says, the journal says too."""

from __future__ import annotations

import asyncio
import json
import re
import shutil
import time
from dataclasses import dataclass
from datetime import UTC, datetime
from html import unescape
from html.parser import HTMLParser
from typing import TYPE_CHECKING, Any

import pytest

import incident_stage as stage
from tocsin.cli import main
from tocsin.history import reader
from tocsin.journal import read

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from tocsin_drivers.simbus.bank import SimBank


@dataclass
class Reported:
    """A story's journal, and the page that was made of it."""

    bank: SimBank
    rows: list[tuple[int, dict[str, Any]]]
    html: str

    def clock(self, alarm: str, pack: str = "right") -> str:
        """Return when the journal says *alarm* was raised first, to the second."""
        at_ms = next(
            at_ms
            for at_ms, told in self.rows
            if told["kind"] == "alarm"
            and told["alarm"] == alarm
            and told["subject"].partition("/")[0] == pack
            and told["state"] == "unacknowledged"
        )
        return clock(at_ms)

    def dropped(self, output: str, reason: str) -> str:
        """Return when the journal says *output* dropped for *reason*."""
        return clock(
            next(
                at_ms
                for at_ms, told in self.rows
                if told["kind"] == "output"
                and told["output"] == output
                and reason in told["because"]
            )
        )

    @property
    def text(self) -> str:
        return unescape(re.sub(r"<[^>]+>", " ", self.html))


def clock(at_ms: int) -> str:
    return f"{datetime.fromtimestamp(at_ms // 1000, tz=UTC):%H:%M:%S}"


def seconds(text: str) -> int:
    h, m, s = map(int, text.split(":"))
    return 3_600 * h + 60 * m + s


@pytest.fixture(autouse=True, scope="module")
def in_utc() -> Iterator[None]:
    """Have reports say times in UTC, as the tests do."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("TZ", "UTC")
        time.tzset()
        yield
    time.tzset()


def reported(folder: Path, bank: SimBank, last_s: float) -> Reported:
    story = asyncio.run(stage.lived(folder, bank, last_s))
    out = folder / "report.html"
    argv = ["incident", str(story.path), "--at", "2026-01-17T02:50:00+00:00"]
    assert main([*argv, "--out", str(out)]) == 0
    rows = [(row.wall_ms, json.loads(row.detail)) for row in read(folder / "journal")]
    return Reported(bank, rows, out.read_text("utf-8"))


@pytest.fixture(scope="module")
def frosty(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Reported]:
    """The cold night, lived once, and its folder."""
    folder = tmp_path_factory.mktemp("cold")
    return folder, reported(folder, stage.cold(), 870)


def check_page(made: Reported) -> None:
    """Everything that every report must keep to."""
    assert not re.search(r"<script|<link|https?://|@import|url\(", made.html)
    Closed().check(made.html)
    first, last = made.rows[0][0], made.rows[-1][0]
    listed = re.findall(
        r'<td class="number">(\d+)</td><td class="time">(.+?)</td>', made.html
    )
    assert len(listed) == len(made.rows), (first, last)
    assert [at for _, at in listed] == [clock(at_ms) for at_ms, _ in made.rows]


class Closed(HTMLParser):
    """Complains of elements that are not closed in their order."""

    VOID = frozenset({"meta", "path", "rect"})

    def check(self, html: str) -> None:
        self.open: list[str] = []
        self.feed(html)
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: Any) -> None:
        del attrs
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if tag not in self.VOID:
            assert self.open.pop() == tag


def test_a_low_cell_on_a_kettle(tmp_path: Path) -> None:
    made = reported(tmp_path, stage.kettle(), 1_110)
    check_page(made)
    cut = made.clock("protector-refuses-load")
    first = made.clock("low-cell-early")
    true_s = next(c.at_s for c in made.bank.cut_offs if c.pack == "right")
    told_s = seconds(cut) - seconds(clock(stage.WALL_MS))
    assert 0 <= told_s - true_s <= 4, "the journal knows within two polls"
    assert f"The protection of pack right cut the loads off at {cut}." in made.text
    assert f"Cell {stage.WEAK} of pack right, the lowest, was at 2." in made.text
    assert "this one cell ended it, not the bank" in made.text
    lead_s = seconds(cut) - seconds(first)
    said = f"raised at {first}: {lead_s // 60} min {lead_s % 60} s before."
    assert said in made.text
    assert "what drew them hangs on no output that Tocsin can drop" in made.text
    assert "Nobody acknowledged" in made.text
    assert f"{made.clock('low-cell-forecast')} " in made.text
    for limit in ("3.1 V low-cell-early", "3 V low-cell", "2.8 V protection"):
        assert limit in made.text, "the limits in force stand beside the curves"


def test_a_high_cell_on_a_sunny_morning(tmp_path: Path) -> None:
    made = reported(tmp_path, stage.morning(), 560)
    check_page(made)
    assert made.bank.cut_offs == [], "the output acted before the protection had to"
    act, first = made.dropped("charge", "rising-cell"), made.clock("high-cell-forecast")
    assert f"Tocsin inhibited charging at {act}." in made.text
    lead_s = seconds(act) - seconds(first)
    assert f"raised at {first}: {lead_s // 60} min {lead_s % 60} s before." in made.text
    assert f"Cell {stage.WEAK} of pack right, the highest" in made.text
    assert "The rule behind it is rising-cell" in made.text
    assert "was not reached while anything was recorded" in made.text


def test_charging_in_the_cold(frosty: tuple[Path, Reported]) -> None:
    _, made = frosty
    check_page(made)
    act, first = made.clock("protector-refuses-charge"), made.clock("cold-forecast")
    assert f"The protection of pack right refused charge at {act}." in made.text
    lead_s = seconds(act) - seconds(first)
    said = f"{lead_s} s" if lead_s < 60 else f"{lead_s // 60} min {lead_s % 60} s"
    assert f"cold-forecast, was raised at {first}: {said} before." in made.text
    assert re.search(
        r"Sensor \d+ of pack right, the coldest, was at [45]\.\d degC", made.text
    )
    assert "cold-charge at 6 degC instead of 5 degC" in made.text


def test_every_incident_is_listed(
    frosty: tuple[Path, Reported], capsys: pytest.CaptureFixture[str]
) -> None:
    folder, _ = frosty
    argv = ["incident", str(folder / "site.toml"), "--list", "--since", "36500d"]
    assert main([*argv, "--json"]) == 0
    (one,) = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert one["incident"] == "charge refused by the battery"
    assert one["danger"] == "cold"
    assert main(argv) == 0
    assert "charge refused by the battery: The protection of pack" in (
        capsys.readouterr().out
    )


def test_the_report_does_without_a_history(
    frosty: tuple[Path, Reported], tmp_path: Path
) -> None:
    folder, made = frosty
    shutil.copytree(folder, tmp_path / "copy")
    reader.history_path(tmp_path / "copy" / "journal").unlink()
    out = tmp_path / "again.html"
    argv = ["incident", str(tmp_path / "copy" / "site.toml"), "--since", "36500d"]
    assert main([*argv, "--out", str(out)]) == 0
    text = out.read_text("utf-8")
    assert "No samples of this time are kept." in text
    assert made.clock("protector-refuses-charge") in text


def test_the_same_night_exported_and_replayed_tells_the_same_story(
    frosty: tuple[Path, Reported], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Minus what a trace does not hold: the protection's own flags."""
    folder, made = frosty
    site, trace = str(folder / "site.toml"), tmp_path / "night.csv"
    assert main(["history", site, "export", "--to", "2026-01-18"]) == 0
    trace.write_text(capsys.readouterr().out)
    out = tmp_path / "replayed.html"
    assert main(["replay", site, str(trace), "--incident", str(out)]) == 0
    text = re.sub(r"<[^>]+>", " ", out.read_text("utf-8"))
    assert f"Tocsin inhibited charging at {made.clock('cold-charge')}." in text
    assert "a replay of night.csv" in text
