"""Ids and topics. MQTT 5.0 (OASIS, 2019), 4.7; Homie 5.0.0, "Topic IDs"."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tocsin.mqtt.names import Names, ids, slug

ID = re.compile(r"[a-z0-9-]+")


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("Fern Ridge hut", "fern-ridge-hut"),
        ("Hütte +1/#2", "hutte-1-2"),
        ("aaaaa", "aaaaa"),
        ("left_2", "left-2"),
    ],
)
def test_a_name_becomes_one_plain_id(name: str, said: str) -> None:
    assert slug(name) == said


@given(name=st.text(max_size=30))
def test_any_name_becomes_a_legal_id(name: str) -> None:
    assert ID.fullmatch(slug(name))


def test_names_without_a_latin_letter_stay_apart() -> None:
    assert slug("хижина") != slug("小屋")


@given(names=st.lists(st.text(max_size=5), unique=True, max_size=8))
def test_no_two_names_share_an_id(names: list[str]) -> None:
    made = ids(names)
    assert list(made) == names
    assert len(set(made.values())) == len(names)


def test_what_is_listened_to_never_covers_a_command() -> None:
    """Each ``+`` is one level: a ``/set`` topic is four below the device's."""
    names = Names.of("Fern Ridge hut", packs=["left"], outputs=["horn"], base="tocsin")
    command = names.commands.replace("+", "silence").split("/")
    for each in (*names.kept(names.devices), *names.kept_of_old):
        levels = each.split("/")
        assert "#" not in levels
        covers = len(levels) == len(command) and all(
            a in {"+", b} for a, b in zip(levels, command, strict=True)
        )
        assert not covers
