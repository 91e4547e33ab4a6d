"""``tocsin journal`` as a person and as a program use it."""

from __future__ import annotations

import asyncio
import json
import os
import re
import signal
import subprocess
import sys
import time
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import pytest

from journal_stage import Ears, Stamps, alarm, journal
from site_files import SMALL, written
from tocsin.cli import main
from tocsin.cli.journal import moment_ms
from tocsin.clock import wall_ms
from tocsin.core.events import CommandFact, Fact, NoteFact, OutputFact, Verb
from tocsin.core.rules import Role
from tocsin.journal import read

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

NIGHT = datetime(2026, 1, 9, 22, 0, tzinfo=UTC)
NIGHT_MS = round(NIGHT.timestamp() * 1_000)
MINUTE_MS = 60_000

STORY: tuple[Fact, ...] = (
    NoteFact(at_ms=0, what="start", text="tocsin 0.1.0"),
    alarm(1),
    OutputFact(
        at_ms=2,
        output="drying room",
        role=Role.LOAD_PERMIT,
        energised=False,
        because=("low-cell",),
    ),
    CommandFact(
        at_ms=3,
        verb=Verb.ACKNOWLEDGE,
        alarm="low-cell",
        subject="right",
        by="warden",
        reason="seen\x1b[2J\nNOTE all is well",
        accepted=True,
        outcome="seen\x1b[2J\nby the warden",
    ),
    NoteFact(at_ms=4, what="stop", text="permits dropped"),
)


def tell(folder: Path, facts: Sequence[Fact], begin_ms: int = NIGHT_MS) -> None:
    """Write one fact a minute from *begin_ms* on."""
    stamps = Stamps(wall=begin_ms)

    async def tell_all() -> None:
        async with journal(folder, Ears(), stamps=stamps) as writing:
            for fact in facts:
                writing.tell([fact])
                stamps.wall += MINUTE_MS

    asyncio.run(tell_all())


@pytest.fixture
def site(tmp_path: Path) -> str:
    """Return a site file whose journal is empty."""
    text = f'{SMALL}[journal]\nfolder = "{tmp_path / "journal"}"\n'
    return str(written(tmp_path, text))


@pytest.fixture
def night(site: str, tmp_path: Path) -> str:
    """Return a site file whose journal tells the story of a night."""
    tell(tmp_path / "journal", STORY)
    return site


@pytest.fixture
def in_zone(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Be an hour east of Greenwich."""
    with monkeypatch.context() as patch:
        patch.setenv("TZ", "TST-1")
        time.tzset()
        yield
    time.tzset()


def told(capsys: pytest.CaptureFixture[str], *args: str) -> list[dict[str, Any]]:
    assert main(["journal", *args, "--json"]) == 0
    return [json.loads(line) for line in capsys.readouterr().out.splitlines()]


def test_each_row_is_one_json_object_with_its_fact_and_its_place(
    night: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rows = told(capsys, night)
    run_id = next(read(tmp_path / "journal")).run_id
    assert [row["id"] for row in rows] == [1, 2, 3, 4, 5]
    assert rows[2] == {
        "id": 3,
        "at": "2026-01-09T22:02:00.000Z",
        "boot_id": "boot",
        "run_id": run_id,
        "at_ms": 2,
        "kind": "output",
        "output": "drying room",
        "role": "load-permit",
        "energised": False,
        "because": ["low-cell"],
    }


@pytest.mark.usefixtures("in_zone")
def test_text_says_when_in_the_local_zone_and_what_in_columns(
    night: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["journal", night]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) == len(STORY), "whatever people wrote, a row is a line"
    assert lines[2] == (
        "2026-01-09 23:02:00.000+01:00  output   "
        "load-permit drying room de-energised because low-cell"
    )
    assert {line[31:40].rstrip() for line in lines} == {
        "alarm",
        "output",
        "command",
        "note",
    }
    assert all(line.isprintable() for line in lines), "nothing moves the cursor"


@pytest.mark.usefixtures("in_zone")
def test_text_says_utc_when_asked_to(
    night: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["journal", night, "--utc", "--last", "1"]) == 0
    assert capsys.readouterr().out == (
        "2026-01-09 22:04:00.000+00:00  note     stop: permits dropped\n"
    )


@pytest.mark.usefixtures("in_zone")
@pytest.mark.parametrize(
    ("options", "ids"),
    [
        (["--since", "2026-01-09T22:03Z"], [4, 5]),
        (["--since", "2026-01-09T22:03:00.001Z"], [5]),
        (["--since", "2026-01-09T23:03"], [4, 5]),
        (["--until", "2026-01-09T22:01Z"], [1, 2]),
        (["--until", "2026-01-09 22:00:59Z"], [1]),
        (["--since", "2026-01-09T22:01Z", "--until", "2026-01-09T22:02Z"], [2, 3]),
        (["--since", "2h"], []),
        (["--kind", "alarm"], [2]),
        (["--kind", "alarm", "output"], [2, 3]),
        (["--kind", "alarm", "--kind", "command"], [2, 4]),
        (["--kind", "note", "--last", "1"], [5]),
        (["--last", "2"], [4, 5]),
    ],
)
def test_only_the_rows_asked_for_are_printed(
    options: list[str], ids: list[int], night: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert [row["id"] for row in told(capsys, night, *options)] == ids


def test_a_time_ago_is_counted_from_now(
    site: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    now_ms = wall_ms()
    for minutes in (119, 121):
        fact = NoteFact(at_ms=minutes, what="test", text="")
        tell(tmp_path / "journal", [fact], now_ms - minutes * MINUTE_MS)
    assert [row["at_ms"] for row in told(capsys, site, "--since", "2h")] == [119]
    assert [row["at_ms"] for row in told(capsys, site, "--until", "2h")] == [121]


@pytest.mark.usefixtures("in_zone")
@pytest.mark.parametrize(
    ("text", "moment"),
    [
        ("2026-01-09T22:00Z", NIGHT_MS),
        ("2026-01-09T22:00+00:00", NIGHT_MS),
        ("2026-01-09T23:00", NIGHT_MS),
        ("2026-01-09 23:00:00.25", NIGHT_MS + 250),
        ("2026-01-09", NIGHT_MS - 23 * 60 * MINUTE_MS),
    ],
)
def test_a_time_without_a_zone_is_local(text: str, moment: int) -> None:
    assert moment_ms(text) == moment


@pytest.mark.parametrize(
    "options",
    [
        ["--since", "yesterday"],
        ["--since", ""],
        ["--until", "2026-13-01"],
        ["--last", "0"],
        ["--last", "-3"],
        ["--last", "few"],
        ["--kind", "alarms"],
        ["--kind"],
    ],
)
def test_what_cannot_be_understood_exits_2_and_says_what_would_be_right(
    options: list[str], night: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["journal", night, *options])
    assert ended.value.code == 2
    assert f"argument {options[0]}" in capsys.readouterr().err


def test_following_up_to_a_time_exits_2(
    night: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["journal", night, "--follow", "--until", "2h"]) == 2
    assert "--until" in capsys.readouterr().err


def test_a_wrong_site_file_exits_2(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["journal", str(tmp_path / "none.toml")]) == 2
    assert "none.toml" in capsys.readouterr().err


def test_no_journal_exits_1_and_says_where_it_was_looked_for(
    site: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["journal", site]) == 1
    out, err = capsys.readouterr()
    assert out == ""
    assert f"there is no journal in {tmp_path / 'journal'}" in err


def test_no_rows_are_said_to_a_person_and_are_no_failure(
    night: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["journal", night, "--since", "1h"]) == 0
    out, err = capsys.readouterr()
    assert (out, err) == ("", "tocsin: no such rows in the journal\n")


def test_help_teaches_by_examples(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["journal", "--help"])
    assert ended.value.code == 0
    said = capsys.readouterr().out
    for option in ("--since", "--until", "--kind", "--last", "--follow", "--json"):
        assert re.search(rf"tocsin journal site\.toml.*{option}", said), option


def command(*args: str) -> list[str]:
    return [sys.executable, "-m", "tocsin", "journal", *args]


def test_a_reader_that_has_seen_enough_ends_it_quietly(
    site: str, tmp_path: Path
) -> None:
    facts = [NoteFact(at_ms=n, what="test", text="x" * 100) for n in range(5_000)]
    tell(tmp_path / "journal", facts)
    with subprocess.Popen(
        command(site), stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as printing:
        assert printing.stdout is not None
        assert printing.stderr is not None
        assert b"note" in printing.stdout.readline()
        printing.stdout.close()
        assert printing.stderr.read() == b""
    assert printing.returncode == 0


@pytest.fixture
def can_be_interrupted() -> Iterator[None]:
    """Whoever runs the tests in the background may have SIGINT ignored for them all."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


@pytest.mark.usefixtures("can_be_interrupted")
def test_following_prints_each_new_row_until_interrupted(
    night: str, tmp_path: Path
) -> None:
    with subprocess.Popen(
        command(night, "--follow", "--last", "1", "--json"),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONUNBUFFERED": ""},
    ) as following:
        assert following.stdout is not None
        assert json.loads(following.stdout.readline())["id"] == 5
        tell(tmp_path / "journal", STORY[1:2])
        assert json.loads(following.stdout.readline())["id"] == 6
        following.send_signal(signal.SIGINT)
        try:
            out, err = following.communicate(timeout=30)
        finally:
            following.kill()
    assert (out, err) == ("", "")
    assert following.returncode == 0
