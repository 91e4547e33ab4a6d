"""What is an incident, and what led up to it; on facts written by hand."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from history_stage import site
from tocsin.history.sampling import limits_json
from tocsin.incident import Rules, Told, incidents, nearest
from tocsin.incident.find import JOIN_MS, LATELY_MS, Grade, first_warning, side_of
from tocsin.incident.story import alarm_spans, output_spans

if TYPE_CHECKING:
    from pathlib import Path

T0 = 1_768_617_000_000
MINUTE_MS = 60_000


@pytest.fixture
def rules(tmp_path: Path) -> Rules:
    return Rules(limits_json(site(tmp_path), sha256="s"))


def alarm(
    minutes: float,
    name: str,
    subject: str = "p1/7",
    *,
    state: str = "unacknowledged",
    was: str = "normal",
    priority: str = "low",
) -> Told:
    said: dict[str, Any] = {"kind": "alarm", "alarm": name, "subject": subject}
    said |= {"state": state, "was": was, "priority": priority, "message": ""}
    return Told(T0 + round(minutes * MINUTE_MS), said)


def returned(minutes: float, name: str, subject: str = "p1/7") -> Told:
    return alarm(minutes, name, subject, state="normal", was="unacknowledged")


def output(
    minutes: float, name: str, role: str, *because: str, energised: bool = False
) -> Told:
    said: dict[str, Any] = {"kind": "output", "output": name, "role": role}
    said |= {"energised": energised, "because": list(because)}
    return Told(T0 + round(minutes * MINUTE_MS), said)


def source(minutes: float, state: str) -> Told:
    said = {"kind": "source", "pack": "p1", "state": state, "reason": "silent"}
    return Told(T0 + round(minutes * MINUTE_MS), said)


def note(minutes: float, what: str) -> Told:
    at_ms = T0 + round(minutes * MINUTE_MS)
    return Told(at_ms, {"kind": "note", "what": what, "text": ""})


@pytest.mark.parametrize(
    ("told", "grade"),
    [
        ([alarm(0, "protector-refuses-load", priority="high")], Grade.CUT_OFF),
        ([alarm(0, "protector-refuses-charge")], Grade.REFUSED),
        ([output(0, "drying", "load-permit", "shed-stage-1")], Grade.SHED),
        ([output(0, "charge", "charge-permit", "high-cell")], Grade.INHIBITED),
        ([source(0, "lost")], Grade.LOST),
        ([alarm(0, "low-cell", priority="high")], Grade.WARNED),
    ],
)
def test_each_kind_of_incident_is_found(
    rules: Rules, told: list[Told], grade: Grade
) -> None:
    (found,) = incidents(told, rules)
    assert (found.main.grade, found.main.at_ms) == (grade, T0)


@pytest.mark.parametrize(
    "told",
    [
        [],
        [alarm(0, "low-cell-early", priority="medium")],
        [source(0, "online")],
        [output(0, "charge", "charge-permit", "starting")],
        [output(0, "horn", "horn", "low-cell", energised=True)],
        [alarm(0, "low-cell", was="acknowledged", priority="high")],
        [
            output(0, "charge", "charge-permit", "starting"),
            output(1, "charge", "charge-permit", "cold-charge"),
        ],
    ],
)
def test_what_is_no_incident_is_none(rules: Rules, told: list[Told]) -> None:
    assert incidents(told, rules) == []


def test_the_worst_gives_the_name_and_the_rest_belongs_to_it(rules: Rules) -> None:
    told = [
        output(0, "drying", "load-permit", "shed-stage-1"),
        alarm(3, "protector-refuses-load", "p1", priority="high"),
        source(5, "lost"),
    ]
    (found,) = incidents(told, rules)
    assert found.name == "cut-off by the battery"
    assert (found.from_ms, found.to_ms) == (told[0].at_ms, told[2].at_ms)


@pytest.mark.parametrize(("off_ms", "count"), [(-1, 1), (0, 1), (1, 2)])
def test_a_quarter_of_an_hour_apart_they_are_two(
    rules: Rules, off_ms: int, count: int
) -> None:
    later = (JOIN_MS + off_ms) / MINUTE_MS
    assert len(incidents([source(0, "lost"), source(later, "lost")], rules)) == count


def test_a_drop_whose_reasons_change_is_one_drop(rules: Rules) -> None:
    told = [
        output(0, "charge", "charge-permit", "rising-cell"),
        output(1, "charge", "charge-permit", "rising-cell", "high-cell"),
        output(2, "charge", "charge-permit", energised=True),
        output(3, "charge", "charge-permit", "high-cell"),
    ]
    (found,) = incidents(told, rules)
    assert [t.at_ms for t in found.triggers] == [told[0].at_ms, told[3].at_ms]


def test_the_first_alarm_of_the_same_danger_and_pack_is_the_warning(
    rules: Rules,
) -> None:
    told = [
        alarm(0, "long-since-full", "bank"),
        alarm(1, "low-cell-early", "p2/3"),
        alarm(2, "cold-forecast"),
        alarm(3, "low-cell-early"),
        alarm(4, "low-cell", priority="high"),
        alarm(9, "protector-refuses-load", "p1", priority="high"),
    ]
    (found,) = incidents(told, rules)
    assert side_of(found, rules, told) == "low"
    warning = first_warning(found, rules, told)
    assert warning is not None
    assert (warning.name, warning.from_ms) == ("low-cell-early", told[3].at_ms)


@pytest.mark.parametrize(("off_ms", "is_one"), [(-1, True), (0, True), (1, False)])
def test_a_warning_that_returned_long_before_was_about_something_else(
    rules: Rules, off_ms: int, *, is_one: bool
) -> None:
    later = 1 + (LATELY_MS + off_ms) / MINUTE_MS
    told = [
        alarm(0, "low-cell-early"),
        returned(1, "low-cell-early"),
        output(later, "drying", "load-permit", "shed-stage-1"),
    ]
    (found,) = incidents(told, rules)
    found.main  # noqa: B018 the subject of a drop is that of its cause
    main_of = [*told[:2], alarm(later, "shed-stage-1"), told[2]]
    (found,) = incidents(main_of, rules)
    warning = first_warning(found, rules, main_of)
    assert warning is not None
    assert (warning.name == "low-cell-early") is is_one


def test_refused_charge_is_told_by_what_else_was_up(rules: Rules) -> None:
    for cause, side in (("cold-charge", "cold"), ("high-cell", "high")):
        told = [alarm(0, cause), alarm(1, "protector-refuses-charge", "p1")]
        (found,) = incidents(told, rules)
        assert side_of(found, rules, told) == side


def test_the_nearest_incident_is_the_one_around_a_time(rules: Rules) -> None:
    told = [source(0, "lost"), source(10, "lost"), source(100, "lost")]
    found = incidents(told, rules)
    assert nearest(found, T0 + 5 * MINUTE_MS) is found[0]
    assert nearest(found, T0 + 54 * MINUTE_MS) is found[0]
    assert nearest(found, T0 + 56 * MINUTE_MS) is found[1]
    assert nearest([], T0) is None


def test_spans_end_with_the_run_that_told_of_them() -> None:
    told = [
        alarm(0, "low-cell"),
        output(1, "horn", "horn", "low-cell", energised=True),
        note(2, "stop"),
    ]
    assert [s.to_ms for s in alarm_spans(told)] == [told[2].at_ms]
    assert [s.to_ms for s in output_spans(told)] == [told[2].at_ms]


def test_an_alarm_that_goes_on_has_no_end_and_keeps_its_first_cell() -> None:
    told = [
        alarm(0, "low-cell", "p1/7"),
        alarm(1, "low-cell", "p1/8", state="acknowledged", was="unacknowledged"),
    ]
    (span,) = alarm_spans(told)
    assert (span.subject, span.to_ms) == ("p1/7", None)


def test_a_proof_test_is_no_incident_and_a_real_drop_after_it_is(rules: Rules) -> None:
    proved = [
        alarm(0, "high-cell", priority="high"),
        output(0, "charge", "charge-permit", "high-cell"),
        returned(1, "high-cell"),
        output(2, "charge", "charge-permit", energised=True),
    ]
    test = [Told(one.at_ms, {**one.detail, "proving": "cause"}) for one in proved]
    assert incidents(test, rules) == []
    assert alarm_spans(test) == []
    real = [Told(one.at_ms + 60 * MINUTE_MS, one.detail) for one in proved]
    (found,) = incidents([*test, *real], rules)
    assert found.from_ms == real[0].at_ms
