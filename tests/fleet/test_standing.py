"""How sites are judged: every threshold from both sides."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from io import StringIO
from typing import Any

import pytest
from rich.console import Console

from fleet_stage import summary
from tocsin.cli.fleet_words import table
from tocsin.fleet import Limits, Site, Standing, standings
from tocsin.fleet.standing import DAY_MS, Rank

WALL_MS = round(datetime(2026, 1, 16, 18, tzinfo=UTC).timestamp() * 1000)
LIMITS = Limits(silent_s=300, short_min=60, proof_ms=30 * DAY_MS)


def site(name: str = "hut", **told: Any) -> Site:
    known: dict[str, Any] = {"state": "ready", "silent_s": 10.0, "missing": 0}
    known |= {key: told.pop(key) for key in (*known,) if key in told}
    return Site(
        site=name, name="", summary=json.loads(summary(1, **told).detail), **known
    )


def judged(**told: Any) -> Standing:
    (one,) = standings([site(**told)], LIMITS, wall_ms=WALL_MS)
    return one


def low(minutes: float) -> dict[str, Any]:
    return {
        "subject": "left/7",
        "early_min": minutes / 2,
        "likely_min": minutes,
        "late_min": None,
    }


def alarm(priority: str) -> dict[str, Any]:
    return {"alarm": "low-cell", "subject": "left/2", "priority": priority}


@pytest.mark.parametrize(
    ("told", "rank", "why"),
    [
        ({}, Rank.ALL_RIGHT, ""),
        ({"silent_s": 299.9}, Rank.ALL_RIGHT, ""),
        ({"silent_s": 300.0}, Rank.ALL_RIGHT, ""),
        ({"silent_s": 300.1}, Rank.SILENT, "silent for 5 min"),
        ({"silent_s": None}, Rank.SILENT, "never heard"),
        ({"state": "lost"}, Rank.SILENT, "silent for 10 s"),
        (
            {"state": "disconnected"},
            Rank.SILENT,
            "stopped by somebody, silent for 10 s",
        ),
        ({"low": low(60.1)}, Rank.ALL_RIGHT, ""),
        ({"low": low(60.0)}, Rank.SHORT, "60 min left, left/7"),
        ({"low": low(12.2)}, Rank.SHORT, "12 min left, left/7"),
        (
            {"alarms": [alarm("high")], "alarm_count": 1},
            Rank.HIGH_ALARM,
            "high alarm low-cell left/2",
        ),
        (
            {"alarms": [alarm("medium")], "alarm_count": 4},
            Rank.MEDIUM_ALARM,
            "medium alarm low-cell left/2 and 3 more",
        ),
        (
            {"alarms": [alarm("low")], "alarm_count": 1},
            Rank.LOW_ALARM,
            "low alarm low-cell left/2",
        ),
        (
            {"packs": [{"name": "left", "online": False}]},
            Rank.BLIND,
            "pack left not heard",
        ),
        ({"packs": [{"name": "left", "online": True}]}, Rank.ALL_RIGHT, ""),
        ({"proof_due": None}, Rank.PROOF_DUE, "never proved"),
        (
            {"proof_due": "2026-01-16T18:00:00Z"},
            Rank.PROOF_DUE,
            "proof test due since 2026-01-16",
        ),
        (
            {"proof_due": "2026-01-16T18:00:01Z"},
            Rank.PROOF_DUE,
            "proof test due 2026-01-16",
        ),
        (
            {"proof_due": "2026-02-15T18:00:00Z"},
            Rank.PROOF_DUE,
            "proof test due 2026-02-15",
        ),
        ({"proof_due": "2026-02-15T18:00:01Z"}, Rank.ALL_RIGHT, ""),
        ({"missing": 1}, Rank.EVENTS_MISSING, "1 event missing"),
        ({"missing": 2}, Rank.EVENTS_MISSING, "2 events missing"),
    ],
)
def test_a_site_is_listed_for_the_worst_that_is_to_be_said(
    told: dict[str, Any], rank: Rank, why: str
) -> None:
    one = judged(**told)
    assert (one.rank, "; ".join(one.why)) == (rank, why)


def test_all_that_is_to_be_said_is_said_worst_first() -> None:
    one = judged(missing=3, low=low(5), alarms=[alarm("low")], alarm_count=1)
    assert one.why == (
        "5 min left, left/7",
        "low alarm low-cell left/2",
        "3 events missing",
    )
    assert one.told()["rank"] == "short"
    assert one.told()["minutes_left"] == 5


def test_the_worst_comes_first_and_among_equals_the_one_with_less_time() -> None:
    sites = [
        site("fine"),
        site("short", low=low(50)),
        site("shorter", low=low(20)),
        site("alarmed", alarms=[alarm("high")], alarm_count=1, low=low(40)),
        site("quiet", silent_s=4_000.0),
        site("quieter", silent_s=9_000.0),
        Site(
            site="new", name="", state="unknown", silent_s=None, summary=None, missing=0
        ),
    ]
    order = [one.site for one in standings(sites, LIMITS, wall_ms=WALL_MS)]
    assert order == ["new", "quieter", "quiet", "alarmed", "shorter", "short", "fine"]


def test_the_table_has_a_row_for_each_and_says_how_many_need_a_look() -> None:
    text = StringIO()
    sites = [
        site("fine", low=low(600)),
        site("short", low=low(50)),
        site("quiet", silent_s=7_200.0),
    ]
    table(standings(sites, LIMITS, wall_ms=WALL_MS), Console(file=text, width=78))
    lines = text.getvalue().splitlines()
    assert [line.split() for line in lines[1:4]] == [
        ["quiet", "-", "2.0", "h", "silent", "for", "2", "h"],
        ["short", "50", "min", "10", "s", "50", "min", "left,", "left/7"],
        ["fine", "10.0", "h", "10", "s", "all", "right"],
    ]
    assert lines[4] == "3 sites, 2 need a look"


def test_no_site_at_all_is_said() -> None:
    text = StringIO()
    table([], Console(file=text))
    assert text.getvalue() == "no site has told anything yet\n"
