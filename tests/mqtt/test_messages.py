"""Topics and payloads. MQTT 5.0 (OASIS, 2019), section 4.7, for topic names."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tocsin.core.events import NoteFact
from tocsin.mqtt.messages import (
    Topics,
    availability,
    event,
    level,
    removal,
    slug,
    states,
)

TOPICS = Topics.of("tocsin", "Fern Ridge hut")


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("Fern Ridge hut", "fern-ridge-hut"),
        ("Hütte +1/#2", "hutte-1-2"),
        ("  ", slug("  ")),
        ("a" * 5, "aaaaa"),
    ],
)
def test_a_site_becomes_one_plain_level(name: str, said: str) -> None:
    assert slug(name) == said
    assert slug(name).strip("abcdefghijklmnopqrstuvwxyz0123456789-") == ""


def test_names_without_a_latin_letter_stay_apart() -> None:
    assert slug("хижина") != slug("小屋")


@given(text=st.text(max_size=30))
def test_any_text_is_one_legal_level(text: str) -> None:
    """4.7.1 and 4.7.3: no wildcard, no separator, no NUL, at least one character."""
    made = level(text)
    assert made
    assert not set(made) & set("+#/\0")


@given(one=st.text(max_size=8), other=st.text(max_size=8))
def test_different_texts_are_different_levels(one: str, other: str) -> None:
    assert (level(one) == level(other)) == (one == other)


def test_all_cells_of_a_pack_share_the_topic_of_their_alarm() -> None:
    topic = TOPICS.alarm("low-cell", "right/11")
    assert topic == TOPICS.alarm("low-cell", "right")
    assert topic == "tocsin/fern-ridge-hut/alarms/low-cell/right"


def test_online_expires_and_offline_does_not() -> None:
    """3.3.2.3.3, message expiry."""
    assert (availability(TOPICS, is_online=True).expires_s or 0) > 0
    assert availability(TOPICS, is_online=False).expires_s is None


def test_a_removal_is_retained_and_empty() -> None:
    """3.3.1.3: a retained message without payload is removed by the broker."""
    assert (removal("a/b").payload, removal("a/b").is_retained) == (b"", True)


def test_an_event_bears_its_number_its_time_and_the_fact() -> None:
    fact = NoteFact(at_ms=5, what="start", text="hello")
    made = event(TOPICS, fact, number=7, wall_ms=0)
    assert json.loads(made.payload) == {
        "seq": 7, "at": "1970-01-01T00:00:00.000Z",
        "kind": "note", "what": "start", "text": "hello",
    }  # fmt: skip
    assert not made.is_retained


def test_a_snapshot_makes_one_state_an_alarm_and_an_output() -> None:
    snapshot = {
        "site": "Fern Ridge hut",
        "alarms": [{"alarm": "low-cell", "subject": "right/11"}],
        "outputs": [{"output": "horn", "energised": True}],
    }
    made = states(TOPICS, snapshot)
    assert sorted(topic.removeprefix(TOPICS.root) for topic in made) == [
        "/alarms/low-cell/right", "/outputs/horn", "/snapshot",
    ]  # fmt: skip
    assert all(message.is_retained for message in made.values())
