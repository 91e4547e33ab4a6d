"""Commands: what is obeyed, what is refused, and why."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mqtt_commands import VERBS as WORDS
from tocsin.core.events import Verb
from tocsin.mqtt.commands import (
    BURST,
    LONGEST,
    Gate,
    Heard,
    RefusedError,
    Request,
    may_answer,
    parsed,
    verb_of,
)
from tocsin.mqtt.properties import VERBS

WALL_MS = 1_768_586_400_000
PREFIX = "homie/5/fern-ridge-hut/command/"


def heard(told: Any, **more: Any) -> Heard:
    data = told if isinstance(told, bytes) else json.dumps(told).encode()
    return Heard(topic=f"{PREFIX}silence/set", payload=data, **more)


def refusal(told: Any, verb: Verb | None = Verb.SILENCE, **more: Any) -> str:
    with pytest.raises(RefusedError) as caught:
        parsed(heard(told, **more), verb)
    return str(caught.value)


SOUND = {"id": "a1", "at": "2026-01-16T18:00:00Z"}


def test_a_whole_command_is_understood() -> None:
    told = {
        **SOUND, "by": "kitchen panel", "alarm": "low-cell", "subject": "right/11",
        "reason": "spare ordered", "for_s": 90.5,
    }  # fmt: skip
    assert parsed(heard(told), Verb.SHELVE) == Request(
        id="a1", verb=Verb.SHELVE, at_ms=WALL_MS, by="mqtt kitchen panel",
        alarm="low-cell", subject="right/11", reason="spare ordered", for_ms=90_500,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("told", "why"),
    [
        (b"", "no JSON object"),
        (b"\xff\xfe", "no JSON object"),
        (b"true", "no JSON object"),
        (b"[" * 20, "no plain JSON object"),
        (b" " * (LONGEST + 1), f"longer than {LONGEST} bytes"),
        ({"at": SOUND["at"]}, "needs an id"),
        ({**SOUND, "id": 7}, "needs an id"),
        ({**SOUND, "id": "a" * 65}, "needs an id"),
        ({**SOUND, "id": "a\n"}, "needs an id"),
        ({"id": "a1"}, "needs the time"),
        ({**SOUND, "at": "18:00"}, "needs the time"),
        ({**SOUND, "at": "2026-01-16T18:00:00"}, "needs the time"),
        ({**SOUND, "at": "2026-13-16T18:00:00Z"}, "needs the time"),
        ({**SOUND, "permit": True}, "unknown key"),
        ({**SOUND, "alarm": "a\nb"}, "alarm is no plain text"),
        ({**SOUND, "reason": "x" * 201}, "reason is no plain text"),
        ({**SOUND, "subject": None}, "subject is no plain text"),
        ({**SOUND, "for_s": "60"}, "for_s is no number"),
        ({**SOUND, "for_s": True}, "for_s is no number"),
        ({**SOUND, "for_s": -1}, "for_s is no number"),
        ({**SOUND, "for_s": 86_401}, "for_s is no number"),
        (b'{"id":"a1","at":"2026-01-16T18:00:00Z","for_s":NaN}', "for_s is no number"),
        (b'{"id":"a1","id":"a2","at":"2026-01-16T18:00:00Z"}', "each key once"),
    ],
)
def test_anything_else_is_refused_with_its_reason(told: Any, why: str) -> None:
    assert why in refusal(told)


@pytest.mark.parametrize("size", [LONGEST - 1, LONGEST])
def test_a_long_command_is_read_up_to_the_limit(size: int) -> None:
    told = json.dumps(SOUND).encode()
    assert parsed(heard(told + b" " * (size - len(told))), Verb.SILENCE).id == "a1"


def test_a_refusal_repeats_nothing_of_what_was_sent() -> None:
    said = refusal({**SOUND, "<script>": 1})
    assert "script" not in said


def test_a_retained_command_is_dropped_without_an_answer() -> None:
    with pytest.raises(RefusedError) as caught:
        parsed(heard(SOUND, is_retained=True), Verb.SILENCE)
    assert caught.value.is_silent


@pytest.mark.parametrize("verb", [Verb.REMOVE, Verb.RETURN, Verb.UNSHELVE, None])
def test_what_is_not_offered_is_not_obeyed(verb: Verb | None) -> None:
    assert refusal(SOUND, verb) == "there is no such command"


def test_no_command_speaks_of_permits() -> None:
    assert {verb.value for verb in VERBS} == set(WORDS)


@pytest.mark.parametrize(
    ("topic", "verb"),
    [
        ("silence/set", Verb.SILENCE),
        ("sounder-test/set", Verb.SOUNDER_TEST),
        ("remove/set", None),
        ("silence", None),
        ("silence/x/set", None),
        ("/set", None),
    ],
)
def test_a_topic_names_its_verb(topic: str, verb: Verb | None) -> None:
    assert verb_of(PREFIX + topic, PREFIX) is verb
    assert verb_of("homie/5/other/command/silence/set", PREFIX) is None


def request(key: str = "a", verb: Verb = Verb.SILENCE, at_ms: int = WALL_MS) -> Request:
    return Request(id=key, verb=verb, at_ms=at_ms)


@pytest.mark.parametrize(
    ("off_ms", "is_taken"),
    [
        (-60_001, False), (-60_000, True), (-59_999, True),
        (59_999, True), (60_000, True), (60_001, False),
    ],
)  # fmt: skip
def test_a_command_is_of_the_last_minute_or_the_next(
    off_ms: int, *, is_taken: bool
) -> None:
    gate = Gate()
    one = request(at_ms=WALL_MS + off_ms)
    if is_taken:
        gate.admit(one, wall_ms=WALL_MS, now_ms=0)
        return
    with pytest.raises(RefusedError, match="our clock"):
        gate.admit(one, wall_ms=WALL_MS, now_ms=0)


def test_an_id_is_used_once_also_after_the_clock_was_set() -> None:
    gate = Gate()
    gate.admit(request(), wall_ms=WALL_MS, now_ms=0)
    for wall_ms, now_ms in (
        (WALL_MS, 1),
        (WALL_MS + 30_000, 30_000),
        (WALL_MS, 90_000),
    ):
        with pytest.raises(RefusedError, match="used already"):
            gate.admit(request(), wall_ms=wall_ms, now_ms=now_ms)


@pytest.mark.parametrize(
    ("after_ms", "is_taken"), [(11_999, 0), (12_000, 1), (12_001, 1)]
)
def test_five_a_minute_of_each_verb(after_ms: int, is_taken: int) -> None:
    gate = Gate()
    for number in range(BURST):
        gate.admit(request(f"{number}"), wall_ms=WALL_MS, now_ms=0)
    gate.admit(request("other", Verb.ACKNOWLEDGE), wall_ms=WALL_MS, now_ms=0)
    if is_taken:
        gate.admit(request("x"), wall_ms=WALL_MS, now_ms=after_ms)
        return
    with pytest.raises(RefusedError, match="more than 5 silence a minute"):
        gate.admit(request("x"), wall_ms=WALL_MS, now_ms=after_ms)


def test_a_refused_command_does_not_use_up_its_id_or_the_rate() -> None:
    gate = Gate()
    for _ in range(99):
        with pytest.raises(RefusedError):
            gate.admit(request(), wall_ms=WALL_MS + 10**8, now_ms=0)
    gate.admit(request(), wall_ms=WALL_MS, now_ms=0)


@given(
    steps=st.lists(st.tuples(st.integers(0, 9), st.integers(0, 40_000)), max_size=80)
)
def test_no_id_passes_twice_and_memory_stays_bounded(
    steps: list[tuple[int, int]],
) -> None:
    gate, passed, now_ms = Gate(), list[str](), 0
    for key, later_ms in steps:
        now_ms += later_ms
        one = request(f"{key}", at_ms=WALL_MS + now_ms - later_ms)
        try:
            gate.admit(one, wall_ms=WALL_MS + now_ms, now_ms=now_ms)
        except RefusedError:
            continue
        fresh = [k for k, at_ms in passed_at(passed) if now_ms - at_ms <= 120_000]
        assert f"{key}" not in fresh
        passed.append(f"{key}@{now_ms}")
    assert len(gate._used) <= 140


def passed_at(passed: list[str]) -> list[tuple[str, int]]:
    return [(k, int(at_ms)) for k, at_ms in (each.split("@") for each in passed)]


@pytest.mark.parametrize(
    ("reply_to", "correlation", "is_answered"),
    [
        ("reply/fern-ridge-hut/phone", b"1", True),
        ("reply/fern-ridge-hut/phone", None, True),
        ("reply/fern-ridge-hut/", b"1", False),
        ("reply/other-hut/phone", b"1", False),
        ("homie/5/fern-ridge-hut/$state", b"1", False),
        ("reply/fern-ridge-hut/#", b"1", False),
        ("reply/fern-ridge-hut/" + "x" * 200, b"1", False),
        ("reply/fern-ridge-hut/phone", b"x" * 129, False),
        ("", None, False),
    ],
)
def test_an_answer_goes_only_where_answers_may_go(
    reply_to: str, correlation: bytes | None, *, is_answered: bool
) -> None:
    one = heard(SOUND, reply_to=reply_to, correlation=correlation)
    assert may_answer(one, "reply/fern-ridge-hut/") == is_answered
