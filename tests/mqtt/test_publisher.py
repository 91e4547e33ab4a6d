"""Against a real broker over real sockets."""

from __future__ import annotations

import asyncio
import json
import signal
import subprocess
import sys
import textwrap
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import pytest

import broker
from journal_stage import alarm, note
from tocsin.mqtt import Publisher
from tocsin.ports import BrokerSpec

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable, Iterator
    from pathlib import Path

ROOT = "tocsin/fern-ridge-hut"


@dataclass
class Stage:
    publisher: Publisher
    troubles: list[str] = field(default_factory=list)

    async def until(self, done: Callable[[], object]) -> None:
        async with asyncio.timeout(broker.WITHIN_S):
            while not done():
                self.publisher.alive()
                await asyncio.sleep(0.01)


@asynccontextmanager
async def publishing(
    port: int, *, site: str = "Fern Ridge hut", room: int = 2_000, **spec: Any
) -> AsyncIterator[Stage]:
    troubles: list[str] = []
    made = Publisher(
        BrokerSpec(host="127.0.0.1", port=port, **spec),
        site=site,
        wall_ms=lambda: 0,
        on_trouble=troubles.append,
        seed=1,
        room=room,
    )
    async with made:
        yield Stage(made, troubles)


@pytest.fixture
def running(tmp_path: Path) -> Iterator[broker.Broker]:
    with broker.running(tmp_path) as made:
        yield made


def snapshot(number: int = 0, *alarms: str) -> dict[str, Any]:
    return {
        "site": "Fern Ridge hut",
        "number": number,
        "alarms": [{"alarm": name, "subject": "right/11"} for name in alarms],
        "outputs": [{"output": "horn", "energised": bool(alarms)}],
    }


def numbers(ears: broker.Ears) -> list[str]:
    told = (json.loads(p) for topic, p, _ in ears.heard if topic == f"{ROOT}/events")
    return [event.get("text") or event.get("message") for event in told]


def test_it_is_online_while_it_lives_and_offline_when_it_ends(
    running: broker.Broker,
) -> None:
    async def main(ears: broker.Ears) -> None:
        async with publishing(running.port) as stage:
            await stage.until(
                lambda: ears.kept.get(f"{ROOT}/availability") == b"online"
            )

    with broker.listening(running.port) as ears:
        asyncio.run(main(ears))
        ears.wait_for(lambda: ears.kept[f"{ROOT}/availability"] == b"offline")


def test_an_alarm_that_is_gone_is_gone_at_the_broker_too(
    running: broker.Broker,
) -> None:
    topic = f"{ROOT}/alarms/low-cell/right"

    async def main(ears: broker.Ears) -> None:
        async with publishing(running.port) as stage:
            stage.publisher.show(snapshot(1, "low-cell"))
            await stage.until(lambda: ears.kept.get(topic))
            stage.publisher.show(snapshot(2))
            await stage.until(lambda: ears.kept.get(topic) == b"")

    with broker.listening(running.port) as ears:
        asyncio.run(main(ears))
    with broker.listening(running.port) as late:
        late.wait_for(lambda: f"{ROOT}/snapshot" in late.kept)
        assert topic not in late.kept


def test_what_an_earlier_run_left_is_removed(running: broker.Broker) -> None:
    left, ours = f"{ROOT}/alarms/high-cell/left", f"{ROOT}/alarms/low-cell/right"

    async def first(ears: broker.Ears) -> None:
        async with publishing(running.port) as stage:
            stage.publisher.show(snapshot(1, "low-cell"))
            stage.publisher.show(
                {"alarms": [{"alarm": "high-cell", "subject": "left"}]}
            )
            await stage.until(lambda: ears.kept.get(left))

    async def second(ears: broker.Ears) -> None:
        async with publishing(running.port) as stage:
            stage.publisher.show(snapshot(2, "low-cell"))
            await stage.until(lambda: ears.kept.get(left) == b"")
            assert ears.kept.get(ours)

    with broker.listening(running.port) as ears:
        asyncio.run(first(ears))
        asyncio.run(second(ears))


def test_a_broker_that_dies_and_returns_gets_every_event_once_told_and_the_state(
    running: broker.Broker,
) -> None:
    async def main() -> list[str]:
        async with publishing(running.port) as stage:
            publisher = stage.publisher
            with broker.listening(running.port) as ears:
                publisher.tell([alarm(0)])
                await stage.until(lambda: numbers(ears) == ["alarm 0"])
            running.stop()
            await stage.until(lambda: bool(stage.troubles))
            publisher.tell([alarm(number) for number in range(1, 30)])
            publisher.show(snapshot(9, "low-cell"))
            await asyncio.to_thread(running.start)
            with broker.listening(running.port) as ears:
                await stage.until(lambda: len(numbers(ears)) >= 29)
                await stage.until(lambda: f"{ROOT}/snapshot" in ears.kept)
                await stage.until(lambda: stage.troubles[-1] == "")
                return numbers(ears)

    told = asyncio.run(main())
    assert told[-29:] == [f"alarm {number}" for number in range(1, 30)]


def test_events_for_which_there_was_no_room_are_counted_and_said(
    tmp_path: Path,
) -> None:
    made = broker.Broker(tmp_path)

    async def main() -> list[str]:
        async with publishing(made.port, room=10) as stage:
            stage.publisher.tell([note(number) for number in range(15)])
            stage.publisher.tell([alarm(number) for number in range(5)])
            await asyncio.to_thread(made.start)
            with broker.listening(made.port) as ears:
                await stage.until(lambda: len(numbers(ears)) >= 11)
                return numbers(ears)

    try:
        told = asyncio.run(main())
    finally:
        made.stop()
    assert [text for text in told if text.startswith("alarm")] == [
        f"alarm {number}" for number in range(5)
    ]
    assert any(text.startswith("10 events were not sent") for text in told)


def test_a_frozen_broker_delays_neither_the_loop_nor_the_end(
    running: broker.Broker,
) -> None:
    async def main(ears: broker.Ears) -> int:
        turns = 0

        async def turn() -> None:
            nonlocal turns
            while True:
                await asyncio.sleep(0)
                turns += 1

        async with publishing(running.port) as stage:
            await stage.until(lambda: f"{ROOT}/availability" in ears.kept)
            running.send_signal(signal.SIGSTOP)
            turning = asyncio.ensure_future(turn())
            for number in range(500):
                before = turns
                stage.publisher.tell([alarm(number)])
                stage.publisher.show(snapshot(number, "low-cell"))
                stage.publisher.alive()
                await asyncio.sleep(0)
                assert turns - before <= 2, "one turn of the loop, as without a broker"
            turning.cancel()
        return turns

    with broker.listening(running.port) as ears:
        try:
            assert asyncio.run(main(ears)) >= 490
        finally:
            running.send_signal(signal.SIGCONT)


@pytest.fixture
def locked(tmp_path: Path) -> Iterator[broker.Broker]:
    """Return a broker that knows one user, who may write nothing but below ``ok``."""
    passwords, rights = tmp_path / "passwords", tmp_path / "rights"
    passwords.write_text("")
    passwords.chmod(0o600)
    tool = ["mosquitto_passwd", "-b", str(passwords), "hut", "right"]
    subprocess.run(tool, check=True)
    rights.write_text("user hut\ntopic readwrite ok/#\n")
    for path in (passwords, rights):
        path.chmod(0o644)
    more = f"allow_anonymous false\npassword_file {passwords}\nacl_file {rights}\n"
    more += "user root"
    with broker.running(tmp_path, more=more) as made:
        yield made


@pytest.mark.parametrize("password", ["open sesame", None])
def test_a_password_that_is_wrong_or_missing_is_said_in_words(
    password: str | None, locked: broker.Broker, tmp_path: Path
) -> None:
    file = tmp_path / "secret"
    if password is not None:
        file.write_text(password)

    async def main() -> str:
        async with publishing(locked.port, username="hut", password_file=file) as stage:
            await stage.until(lambda: bool(stage.troubles))
            return stage.troubles[0]

    said = asyncio.run(main())
    assert ("refuses" if password else "secret") in said
    assert "sesame" not in said, "a password is never repeated"


def test_topics_the_broker_refuses_are_said_in_words(
    locked: broker.Broker, tmp_path: Path
) -> None:
    file = tmp_path / "secret"
    file.write_text("right\n")

    async def main() -> str:
        async with publishing(locked.port, username="hut", password_file=file) as stage:
            await stage.until(lambda: bool(stage.troubles))
            return stage.troubles[0]

    assert "Not authorized" in asyncio.run(main())


def test_two_sites_on_one_broker_keep_apart(running: broker.Broker) -> None:
    async def main(ears: broker.Ears) -> None:
        async with (
            publishing(running.port, site="One") as one,
            publishing(running.port, site="Two") as two,
        ):
            one.publisher.show(snapshot(1, "low-cell"))
            two.publisher.show(snapshot(2))
            await one.until(lambda: "tocsin/one/snapshot" in ears.kept)
            await two.until(lambda: "tocsin/two/snapshot" in ears.kept)
            await one.until(lambda: ears.kept.get("tocsin/one/alarms/low-cell/right"))

    with broker.listening(running.port) as ears:
        asyncio.run(main(ears))


def test_the_broker_says_offline_for_a_daemon_that_was_killed(
    running: broker.Broker,
) -> None:
    """3.1.2.5: the will is sent when the connection breaks without goodbye."""
    program = textwrap.dedent(f"""
        import asyncio
        from tocsin.mqtt import Publisher
        from tocsin.ports import BrokerSpec

        async def main():
            spec = BrokerSpec(host="127.0.0.1", port={running.port})
            async with Publisher(spec, site="Fern Ridge hut", wall_ms=lambda: 0,
                                 on_trouble=print) as publisher:
                while True:
                    publisher.alive()
                    await asyncio.sleep(0.01)

        asyncio.run(main())
    """)
    topic = f"{ROOT}/availability"
    with (
        broker.listening(running.port) as ears,
        subprocess.Popen([sys.executable, "-c", program]) as victim,
    ):
        ears.wait_for(lambda: ears.kept.get(topic) == b"online")
        victim.kill()
        ears.wait_for(lambda: ears.kept.get(topic) == b"offline")
