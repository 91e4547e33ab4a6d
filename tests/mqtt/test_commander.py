"""Commands over a real broker: answers, results, floods."""

from __future__ import annotations

import asyncio
import json
import random
from typing import TYPE_CHECKING, Any

import pytest

import broker
from mqtt_commands import VERBS, WORDS, at, may_be_obeyed, payload
from mqtt_stage import ROOT, STATE, WALL_MS, Stage, judged, publishing
from tocsin.mqtt.commands import Heard

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

LAST = f"{ROOT}/command/last"
REPLY = "reply/fern-ridge-hut/phone"


@pytest.fixture
def running(tmp_path: Path) -> Iterator[broker.Broker]:
    with broker.running(tmp_path) as made:
        yield made


def said(key: str, **more: Any) -> str:
    return json.dumps({"id": key, "at": at(WALL_MS), **more})


def to(verb: str) -> str:
    return f"{ROOT}/command/{verb}/set"


async def ready(on: Stage, ears: broker.Ears) -> None:
    await on.until(lambda: ears.kept.get(STATE) == b"ready")


def results(ears: broker.Ears) -> dict[str, dict[str, Any]]:
    told = (json.loads(p) for topic, p, _ in list(ears.heard) if topic == LAST)
    return {each["id"]: each for each in told}


def test_a_command_is_obeyed_once_and_answered_where_it_asked(
    running: broker.Broker, tmp_path: Path
) -> None:
    async def main(ears: broker.Ears) -> Stage:
        async with publishing(running.port, tmp_path, is_commanded=True) as on:
            await ready(on, ears)
            with broker.speaking(running.port) as mouth:
                for _ in range(2):
                    mouth.say(
                        to("silence"), said("one", for_s=60, by="phone"),
                        reply_to=REPLY, correlation=b"\x01\x02",
                    )  # fmt: skip
                await on.until(lambda: len(answers(ears)) == 2)
            await on.until(lambda: "one" in results(ears))
            return on

    def answers(ears: broker.Ears) -> list[broker.Heard]:
        return [each for each in list(ears.messages) if each.topic == REPLY]

    with judged(running.port) as ears:
        on = asyncio.run(main(ears))
        got = answers(ears)
    assert [(a.verb, a.for_ms, a.by) for a in on.asked] == [
        ("silence", 60_000, "mqtt phone")
    ]
    assert [each.correlation for each in got] == [b"\x01\x02"] * 2
    assert [json.loads(each.payload)["accepted"] for each in got] == [True, False]
    assert on.refused == [
        "a command over MQTT was refused: silence: this id was used already"
    ]


def test_a_retained_command_is_never_obeyed_live_or_kept(
    running: broker.Broker, tmp_path: Path
) -> None:
    """MQTT 5.0, 3.8.3.1: retain-as-published, and retain handling 2."""
    with broker.speaking(running.port) as mouth:
        mouth.say(to("silence"), said("kept"), retain=True)

    async def main(ears: broker.Ears) -> Stage:
        async with publishing(running.port, tmp_path, is_commanded=True) as on:
            await ready(on, ears)
            with broker.speaking(running.port) as mouth:
                mouth.say(to("silence"), said("live"), retain=True)
                mouth.say(to("silence"), said("sound"))
                mouth.say(to("silence"), "", retain=True)
            await on.until(lambda: "sound" in results(ears))
            return on

    with broker.listening(running.port) as ears:
        on = asyncio.run(main(ears))
    assert [each.id for each in on.asked] == ["sound"]
    assert set(results(ears)) == {"sound"}


@pytest.mark.parametrize(
    "spec", [{}, {"protocol": "3.1.1"}, {"protocol": "3.1.1", "is_commanded": True}]
)
def test_nothing_is_obeyed_unless_it_was_switched_on(
    spec: dict[str, Any], running: broker.Broker, tmp_path: Path
) -> None:
    async def main(ears: broker.Ears) -> Stage:
        async with publishing(running.port, tmp_path, **spec) as on:
            await ready(on, ears)
            with broker.speaking(running.port) as mouth:
                for verb in VERBS:
                    mouth.say(to(verb), said(verb))
            on.hear(2_000)
            for _ in range(30):
                on.publisher.alive()
                await asyncio.sleep(0.01)
            return on

    with broker.listening(running.port) as ears:
        on = asyncio.run(main(ears))
    assert (on.asked, on.refused) == ([], [])
    told = json.loads(ears.kept[f"{ROOT}/$description"])
    assert "command" not in told["nodes"]


@pytest.mark.parametrize("is_commanded", [False, True])
def test_a_command_that_a_broker_sends_unasked_is_obeyed_only_where_commands_are(
    is_commanded: bool,  # noqa: FBT001 a setting
    running: broker.Broker,
    tmp_path: Path,
) -> None:
    pushed = Heard(topic=to("silence"), payload=said("unasked").encode())

    async def main(ears: broker.Ears) -> Stage:
        spec = {"is_commanded": is_commanded}
        async with publishing(running.port, tmp_path, **spec) as on:
            await ready(on, ears)
            on.publisher.heard((pushed,), 0)
            for _ in range(30):
                await asyncio.sleep(0)
            return on

    with broker.listening(running.port) as ears:
        on = asyncio.run(main(ears))
    assert [each.id for each in on.asked] == ["unasked"] * is_commanded


def test_a_flood_is_bounded_and_does_not_fill_the_journal(
    running: broker.Broker, tmp_path: Path
) -> None:
    async def main(ears: broker.Ears) -> Stage:
        async with publishing(running.port, tmp_path, is_commanded=True) as on:
            await ready(on, ears)
            with broker.speaking(running.port) as mouth:
                for number in range(600):
                    mouth.say(to("silence"), said(f"n{number}"), wait=number == 599)
                await on.until(lambda: on.refused)
                mouth.say(to("acknowledge"), said("after"))
                await on.until(lambda: "after" in results(ears))
            return on

    with broker.listening(running.port) as ears:
        on = asyncio.run(main(ears))
    assert len([each for each in on.asked if each.verb == "silence"]) <= 6
    assert len(on.refused) <= 5


def test_nothing_random_is_obeyed_through_a_broker(
    running: broker.Broker, tmp_path: Path
) -> None:
    """A short run of `python -m tests.campaigns.mqtt_fuzz`."""
    chance, sent = random.Random(3), dict[str, list[tuple[str, bytes, bool]]]()

    async def main(ears: broker.Ears) -> Stage:
        async with publishing(running.port, tmp_path, is_commanded=True) as on:
            await ready(on, ears)
            with broker.speaking(running.port) as mouth:
                for number in range(600):
                    word = chance.choice((*VERBS, *WORDS)).strip()
                    data, kept = payload(chance, WALL_MS, number), chance.random() < 0.2
                    sent.setdefault(word, []).append((word, data, kept))
                    mouth.say(to(word), data, retain=kept, wait=number % 20 == 19)
                    await asyncio.sleep(0)
                mouth.say(to("shelve"), said("last"))
                await on.until(lambda: "last" in results(ears))
            return on

    with broker.listening(running.port) as ears:
        on = asyncio.run(main(ears))
    for each in on.asked[:-1]:
        assert any(
            may_be_obeyed(data, word, retained=kept, wall_ms=WALL_MS)
            and json.loads(data)["id"] == each.id
            for word, data, kept in sent[each.verb.value]
        )
    assert on.asked
    assert on.troubles in ([], [""])
