"""What a report says of people, of lost data and of times, without a history."""

from __future__ import annotations

from datetime import UTC, timedelta, timezone
from typing import TYPE_CHECKING

import pytest

from history_stage import site
from tocsin.history.sampling import limits_json
from tocsin.incident import Records, Rules, Times, Told, case_of, incidents, page
from tocsin.incident.words import more_time, reacted, spoken, warned, why

if TYPE_CHECKING:
    from pathlib import Path

    from tocsin.incident import Case

T0 = 1_768_617_000_999
"""2026-01-17, 02:30:00.999 in UTC."""
UTC_TIMES = Times(UTC, is_day=True)


def case(folder: Path, *told: Told) -> Case:
    rules = Rules(limits_json(site(folder), sha256="s"))
    (found,) = incidents(told, rules)
    return case_of(found, Records(told, rules, folder))


def lost(at_ms: int = T0) -> Told:
    said = {"kind": "source", "pack": "p1", "state": "lost", "reason": "no <answer>"}
    return Told(at_ms, said)


def test_a_person_s_first_act_is_dated_from_the_warning(tmp_path: Path) -> None:
    alarm = {
        "kind": "alarm", "alarm": "low-cell", "subject": "p1/7", "priority": "high",
        "state": "unacknowledged", "was": "normal", "message": "",
    }  # fmt: skip
    person = {
        "kind": "command", "verb": "acknowledge", "alarm": "low-cell", "subject": "",
        "by": "Ada", "accepted": True, "outcome": "done", "reason": "",
    }  # fmt: skip
    made = case(tmp_path, Told(T0, alarm), Told(T0 + 75_000, person))
    assert reacted(made, UTC_TIMES) == (
        "The first person to act was Ada: acknowledge at 02:31:15, 1 min 15 s after "
        "the first warning."
    )


def test_a_lost_source_says_why_and_that_nothing_warns(tmp_path: Path) -> None:
    made = case(tmp_path, lost())
    assert why(made) == "Reason given: no <answer>."
    assert "Nothing can warn" in warned(made, UTC_TIMES)
    assert more_time(made) == [
        "A second, independent source of the same pack would have gone on."
    ]


def test_words_from_outside_cannot_become_markup(tmp_path: Path) -> None:
    text = page(case(tmp_path, lost()), UTC_TIMES, origin="<journal>")
    assert "no &lt;answer&gt;" in text
    assert "<answer>" not in text
    assert "<journal>" not in text


@pytest.mark.parametrize(
    ("time_ms", "words"),
    [
        (0, "0 s"),
        (59_999, "59 s"),
        (60_000, "1 min 0 s"),
        (3_599_999, "59 min 59 s"),
        (3_600_000, "1 h 0 min"),
    ],
)
def test_durations_are_cut_not_rounded(time_ms: int, words: str) -> None:
    assert spoken(time_ms) == words


def test_times_of_day_are_cut_to_the_second_in_their_zone() -> None:
    assert UTC_TIMES.clock(T0) == "02:30:00"
    east = Times(timezone(timedelta(hours=5, minutes=30)), is_day=True)
    assert east.full(T0) == "2026-01-17 08:00:00+05:30"


@pytest.mark.parametrize(
    ("at_ms", "words"), [(0, "0:00:00"), (3_723_999, "1:02:03"), (-61_000, "-0:01:01")]
)
def test_times_of_a_trace_count_from_its_start(at_ms: int, words: str) -> None:
    assert Times(None, is_day=False).clock(at_ms) == words
