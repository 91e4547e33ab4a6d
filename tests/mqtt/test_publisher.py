"""Against a real broker over real sockets, under the eyes of a strict controller.

Section numbers are those of MQTT 5.0 (OASIS, 2019).
"""

from __future__ import annotations

import asyncio
import json
import signal
import subprocess
import time
from contextlib import suppress
from typing import TYPE_CHECKING

import pytest

import broker
from core_builders import command, reading
from journal_stage import alarm, note
from mqtt_stage import (
    EVENTS,
    LEFT,
    RIGHT,
    ROOT,
    STATE,
    Journal,
    Stage,
    hut,
    judged,
    publishing,
    quick_sweep,
    stage,
    verdict,
)
from mqtt_victim import victim
from tocsin.core.events import ReadingFailed, Tick, Verb
from tocsin.mqtt import messages

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

HIGH = (3_300, 3_650, 3_300, 3_300)
LOW = (3_300, 2_900, 3_300, 3_300)


@pytest.fixture
def running(tmp_path: Path) -> Iterator[broker.Broker]:
    with broker.running(tmp_path) as made:
        yield made


def events(ears: broker.Ears) -> list[tuple[str, int]]:
    told = (json.loads(p) for topic, p, _ in list(ears.heard) if topic == EVENTS)
    return [(event["epoch"], event["seq"]) for event in told]


def test_a_life_from_init_to_disconnected_is_what_the_convention_asks(
    running: broker.Broker, tmp_path: Path
) -> None:
    async def main(ears: broker.Ears) -> None:
        async with publishing(running.port, tmp_path) as on:
            await on.until(lambda: ears.kept.get(STATE) == b"ready")
            on.hear(2_000, left=HIGH)
            await on.until(lambda: f"{LEFT}/$alert/high-cell" in ears.kept)
            on.hear(3_000)
            on.play(command(4_000, Verb.ACKNOWLEDGE))
            await on.until(lambda: ears.kept.get(f"{LEFT}/$alert/high-cell") == b"")

    with judged(running.port) as ears:
        asyncio.run(main(ears))
        ears.wait_for(lambda: ears.kept[STATE] == b"disconnected")
        ears.wait_for(lambda: ears.kept[f"{RIGHT}/$state"] == b"disconnected")
    states = [p for topic, p, _ in ears.heard if topic == STATE]
    assert states == [b"init", b"ready", b"disconnected"]


def test_ready_comes_after_every_value_of_the_first_tree(
    running: broker.Broker, tmp_path: Path
) -> None:
    async def main(ears: broker.Ears) -> None:
        async with publishing(running.port, tmp_path) as on:
            await on.until(lambda: ears.kept.get(STATE) == b"ready")

    with judged(running.port) as ears:
        asyncio.run(main(ears))
    topics = [topic for topic, _, _ in ears.heard]
    ready = topics.index(STATE, topics.index(STATE) + 1)
    values = {t for t in topics if t.startswith(f"{LEFT}/") and "$" not in t}
    assert len(values) > 15
    assert values <= set(topics[:ready])


def test_a_pack_that_is_lost_is_lost_by_itself_and_its_values_go(
    running: broker.Broker, tmp_path: Path
) -> None:
    async def main(ears: broker.Ears) -> None:
        async with publishing(running.port, tmp_path) as on:
            await on.until(lambda: ears.kept.get(f"{LEFT}/$state") == b"ready")
            on.play(ReadingFailed(at_ms=2_000, pack="left", reason="no answer"))
            await on.until(lambda: ears.kept[f"{LEFT}/pack/quality"] == b"partial")
            await on.until(lambda: ears.kept[f"{LEFT}/pack/trouble"] == b"no answer")
            on.play(Tick(at_ms=12_000))
            await on.until(lambda: ears.kept[f"{LEFT}/pack/quality"] == b"old")
            assert ears.kept[f"{LEFT}/cells/c01"] == b"3.300"
            on.play(reading(31_500, pack="right"))
            await on.until(lambda: ears.kept[f"{LEFT}/$state"] == b"lost")
            await on.until(lambda: ears.kept[f"{LEFT}/cells/c01"] == b"")
            assert ears.kept[f"{RIGHT}/$state"] == b"ready"
            assert ears.kept[STATE] == b"ready"

    with judged(running.port) as ears:
        asyncio.run(main(ears))


def test_what_an_earlier_configuration_left_is_removed(
    running: broker.Broker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Also what versions before Homie left, and a pack that is no longer there."""
    old = "tocsin/fern-ridge-hut"
    left = {f"{old}/availability", f"{old}/snapshot", f"{old}/outputs/horn"}
    left |= {f"{old}/alarms/low-cell/right", f"{ROOT}/$alert/gone", f"{ROOT}/x/y"}
    left |= {f"{ROOT}/output-gone/energised/$target"}

    async def first(ears: broker.Ears) -> None:
        async with publishing(running.port, tmp_path) as on:
            await on.until(lambda: ears.kept.get(STATE) == b"ready")

    async def second(ears: broker.Ears) -> None:
        on = stage(running.port, tmp_path / "new", of=hut(packs=("left",)))
        async with on.publisher:
            on.play(reading(1_000))
            await on.until(lambda: all(ears.kept.get(topic) == b"" for topic in left))
            await on.until(lambda: not kept_of(ears, RIGHT))
            assert ears.kept[STATE] == b"ready"
            assert len(kept_of(ears, LEFT)) > 20

    with quick_sweep(monkeypatch), broker.listening(running.port) as ears:
        asyncio.run(first(ears))
        with broker.speaking(running.port) as mouth:
            for topic in left:
                mouth.say(topic, b"old", retain=True)
            mouth.say("tocsin/other-hut/snapshot", b"theirs", retain=True)
            mouth.say("homie/5/fern-ridge-hut-2/$state", b"theirs", retain=True)
        ears.heard.clear()
        asyncio.run(second(ears))
        assert ears.kept["tocsin/other-hut/snapshot"] == b"theirs"
        assert ears.kept["homie/5/fern-ridge-hut-2/$state"] == b"theirs"
        gone = [t for t, p, _ in ears.heard if t.startswith(f"{RIGHT}/") and not p]
        assert gone[0] == f"{RIGHT}/$state", "a device goes by its state first"


def kept_of(ears: broker.Ears, device: str) -> list[str]:
    return [t for t, p in list(ears.kept.items()) if t.startswith(f"{device}/") and p]


def test_events_come_from_the_journal_in_order_also_those_of_an_earlier_run(
    running: broker.Broker, tmp_path: Path
) -> None:
    book = Journal()

    async def first(ears: broker.Ears) -> None:
        async with publishing(running.port, tmp_path, journal=book) as on:
            on.tell([alarm(n) for n in range(5)])
            await on.until(lambda: events(ears) == ids(book))

    async def second(ears: broker.Ears) -> None:
        how = {"journal": book, "run_id": "run-2"}
        async with publishing(running.port, tmp_path, **how) as on:
            on.tell([alarm(n) for n in range(3)])
            await on.until(lambda: events(ears) == ids(book))

    with judged(running.port) as ears:
        asyncio.run(first(ears))
        book.write([alarm(n) for n in range(300)])
        asyncio.run(second(ears))
        assert events(ears) == ids(book), "each once, in order"


def ids(book: Journal) -> list[tuple[str, int]]:
    return [(row.run_id, row.seq) for row in book.rows]


def test_a_first_run_tells_nothing_of_the_runs_before_it(
    running: broker.Broker, tmp_path: Path
) -> None:
    book = Journal(run_id="run-0")
    book.write([alarm(n) for n in range(20)])

    async def main(ears: broker.Ears) -> None:
        async with publishing(running.port, tmp_path, journal=book) as on:
            on.tell([alarm(1)])
            await on.until(lambda: ("run-1", 1) in events(ears))

    with broker.listening(running.port) as ears:
        asyncio.run(main(ears))
    assert {epoch for epoch, _ in events(ears)} == {"run-1"}


def test_a_journal_that_was_replaced_is_told_whole(
    running: broker.Broker, tmp_path: Path
) -> None:
    book = Journal()

    async def main(ears: broker.Ears) -> None:
        async with publishing(running.port, tmp_path, journal=book) as on:
            on.tell([alarm(n) for n in range(4)])
            await on.until(lambda: len(events(ears)) >= 4)
            book.rows.clear()
            book.run_id = "run-9"
            on.tell([alarm(n) for n in range(2)])
            await on.until(lambda: ("run-9", 2) in events(ears))

    with broker.listening(running.port) as ears:
        asyncio.run(main(ears))
    assert [seq for epoch, seq in events(ears) if epoch == "run-9"] == [1, 2]


def test_what_cannot_be_stored_gets_out_all_the_same(
    running: broker.Broker, tmp_path: Path
) -> None:
    async def main(ears: broker.Ears) -> None:
        async with publishing(running.port, tmp_path) as on:
            await on.until(lambda: ears.kept.get(STATE) == b"ready")
            on.journal.broken = True
            on.publisher.tell([alarm(1), note(2)])
            await on.until(lambda: ("run-1-unstored", 2) in events(ears))

    with judged(running.port) as ears:
        asyncio.run(main(ears))


def test_a_broker_that_dies_and_returns_gets_every_event_and_the_state(
    running: broker.Broker, tmp_path: Path
) -> None:
    async def main(ears: broker.Ears) -> Stage:
        async with publishing(running.port, tmp_path) as on:
            await on.until(lambda: ears.kept.get(STATE) == b"ready")
            on.tell([alarm(0)])
            await on.until(lambda: ids(on.journal)[-1] in events(ears))
            running.stop()
            await on.until(lambda: bool(on.troubles) and on.troubles[-1])
            on.tell([alarm(number) for number in range(1, 30)])
            on.hear(5_000, left=LOW)
            await asyncio.to_thread(running.start)
            await on.until(lambda: on.troubles[-1] == "")
            # The broker may have acknowledged before anybody listened again.
            await on.until(lambda: not on.publisher._archive.feed)
            with broker.listening(running.port, is_late=True) as late:
                await on.until(lambda: late.kept.get(STATE) == b"ready")
                await on.until(lambda: f"{LEFT}/$alert/low-cell" in late.kept)
            on.tell([alarm(99)])
            await on.until(lambda: ids(on.journal)[-1] in events(ears))
            return on

    with broker.listening(running.port) as ears:
        on = asyncio.run(main(ears))
    told = events(ears)
    assert told == sorted(told)
    assert verdict(ears) == []
    assert on.publisher._archive.feed.mark is not None
    assert on.publisher._archive.feed.mark.seq == len(on.journal.rows)


def test_a_frozen_broker_delays_neither_the_loop_nor_the_end(
    running: broker.Broker, tmp_path: Path
) -> None:
    async def main(ears: broker.Ears) -> int:
        turns = 0

        async def turn() -> None:
            nonlocal turns
            while True:
                await asyncio.sleep(0)
                turns += 1

        async with publishing(running.port, tmp_path) as on:
            await on.until(lambda: STATE in ears.kept)
            running.send_signal(signal.SIGSTOP)
            turning = asyncio.ensure_future(turn())
            for number in range(300):
                before = turns
                on.tell([alarm(number)])
                on.hear(2_000 + number, left=LOW)
                await asyncio.sleep(0)
                assert turns - before <= 2, "one turn of the loop, as without a broker"
            turning.cancel()
        return turns

    with broker.listening(running.port) as ears:
        try:
            assert asyncio.run(main(ears)) >= 290
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
        how = {"username": "hut", "password_file": file}
        async with publishing(locked.port, tmp_path, **how) as on:
            await on.until(lambda: bool(on.troubles))
            return on.troubles[0]

    said = asyncio.run(main())
    assert ("refuses" if password else "secret") in said
    assert "sesame" not in said, "a password is never repeated"


def test_a_broker_that_refuses_our_data_is_trouble_and_no_event_is_given_up(
    locked: broker.Broker, tmp_path: Path
) -> None:
    """3.4.2.1: PUBACK 0x87, not authorized."""
    file = tmp_path / "secret"
    file.write_text("right\n")

    async def main() -> Stage:
        how = {"username": "hut", "password_file": file}
        async with publishing(locked.port, tmp_path, **how) as on:
            on.tell([alarm(1)])
            await on.until(lambda: any("more" in text for text in on.troubles))
            for _ in range(20):
                on.publisher.alive()
                await asyncio.sleep(0.01)
            return on

    on = asyncio.run(main())
    assert on.troubles[-1].startswith("the broker refuses our data, Not authorized")
    assert "" not in on.troubles, "trouble that flickers is no trouble"
    assert (
        on.publisher._archive.feed.mark is None
        or on.publisher._archive.feed.mark.seq == 0
    )


def test_two_sites_on_one_broker_keep_apart(
    running: broker.Broker, tmp_path: Path
) -> None:
    one, two = hut(), hut()
    object.__setattr__(one, "name", "One")
    object.__setattr__(two, "name", "Two")
    for folder in ("one", "two"):
        (tmp_path / folder).mkdir()

    async def main(ears: broker.Ears) -> None:
        async with (
            publishing(running.port, tmp_path / "one", of=one) as first,
            publishing(running.port, tmp_path / "two", of=two) as second,
        ):
            await first.until(lambda: ears.kept.get("homie/5/one/$state") == b"ready")
            await second.until(lambda: ears.kept.get("homie/5/two/$state") == b"ready")
            first.hear(2_000, left=LOW)
            await first.until(lambda: "homie/5/one-left/$alert/low-cell" in ears.kept)

    with judged(running.port) as ears:
        asyncio.run(main(ears))
    assert not any(t.startswith("homie/5/two") and "$alert" in t for t in ears.kept)


def test_the_broker_says_lost_for_a_daemon_that_was_killed(
    running: broker.Broker, tmp_path: Path
) -> None:
    """3.1.2.5: the will is sent when the connection breaks without goodbye."""
    with (
        broker.listening(running.port) as ears,
        victim(running.port, tmp_path) as killed,
    ):
        ears.wait_for(lambda: ears.kept.get(STATE) == b"ready")
        killed.kill()
        ears.wait_for(lambda: ears.kept.get(STATE) == b"lost")


def test_nobody_sees_ready_once_it_expired_when_broker_and_daemon_died_together(
    tmp_path: Path,
) -> None:
    """A power cut: the broker comes back with what it kept, the daemon does not."""
    more = f"allow_anonymous true\npersistence true\npersistence_location {tmp_path}/\n"
    with broker.running(tmp_path, more=more) as running:
        with (
            broker.listening(running.port) as ears,
            victim(running.port, tmp_path, expires_s=4) as killed,
        ):
            ears.wait_for(lambda: ears.kept.get(STATE) == b"ready")
            killed.send_signal(signal.SIGSTOP)
            running.send_signal(signal.SIGUSR1)  # it saves what it keeps
            time.sleep(0.5)
            running.stop()
            killed.kill()
        running.start()
        with broker.listening(running.port, is_late=True) as late:
            late.wait_for(lambda: f"{ROOT}/$description" in late.kept)
            was = late.kept.get(STATE)
        assert was == b"ready", "the trap: ready, and nobody is there"
        time.sleep(4.5)
        with broker.listening(running.port, is_late=True) as late:
            late.wait_for(lambda: f"{ROOT}/$description" in late.kept)
            assert STATE not in late.kept


def test_a_daemon_that_does_not_decide_is_not_ready_for_long(
    running: broker.Broker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The loop turns and the connection lives, but nothing decides any more."""
    monkeypatch.setattr(messages, "STATE_EXPIRES_S", 2)
    monkeypatch.setattr(messages, "STATE_AGAIN_S", 0.5)

    async def main(ears: broker.Ears) -> None:
        async with publishing(running.port, tmp_path) as on:
            await on.until(lambda: ears.kept.get(STATE) == b"ready")
            on.is_deciding = False
            await asyncio.sleep(3.5)
            await asyncio.to_thread(look)
            with suppress(TimeoutError):
                await on.until(lambda: False, within_s=0.1)

    def look() -> None:
        with broker.listening(running.port, is_late=True) as late:
            late.wait_for(lambda: f"{ROOT}/$description" in late.kept)
            assert STATE not in late.kept

    with broker.listening(running.port) as ears:
        asyncio.run(main(ears))


def test_a_dead_thread_is_found_and_another_one_begun(
    running: broker.Broker, tmp_path: Path
) -> None:
    async def main(ears: broker.Ears) -> list[str]:
        async with publishing(running.port, tmp_path) as on:
            await on.until(lambda: ears.kept.get(STATE) == b"ready")
            link = on.publisher._link
            assert link is not None

            def broken(*_: object) -> None:
                raise ZeroDivisionError("a bug in a library")

            link._client._loop_rc_handle = broken  # type: ignore[method-assign, assignment]
            link._client._packet_read = broken  # type: ignore[method-assign, assignment]
            on.tell([alarm(6)])
            await on.until(lambda: any("thread ended" in t for t in on.troubles))
            await on.until(lambda: on.troubles[-1] == "")
            on.tell([alarm(7)])
            await on.until(lambda: ids(on.journal)[-1] in events(ears))
            return on.troubles

    with broker.listening(running.port) as ears:
        said = asyncio.run(main(ears))
    assert any("ZeroDivisionError: a bug in a library" in text for text in said)


def test_the_fallback_publishes_the_same_tree_without_expiry(
    running: broker.Broker, tmp_path: Path
) -> None:
    async def main(ears: broker.Ears) -> None:
        async with publishing(running.port, tmp_path, protocol="3.1.1") as on:
            await on.until(lambda: ears.kept.get(STATE) == b"ready")

    with broker.listening(running.port) as ears:
        asyncio.run(main(ears))
        ears.wait_for(lambda: ears.kept[STATE] == b"disconnected")
    assert {each.expiry for each in ears.messages} == {None}
    assert len(kept_of(ears, LEFT)) > 20


@pytest.mark.parametrize("answer", [(0x20, 3, 0, 0x84, 0), (0x20, 2, 0, 1)])
def test_a_broker_without_mqtt_5_is_said_with_the_way_out(
    answer: tuple[int, ...], tmp_path: Path
) -> None:
    """Reason 0x84 (5.0, 3.2.2.2), or 1 of a broker that knows 3.1.1 only."""

    async def main() -> str:
        async def refuse(
            reader: asyncio.StreamReader, writer: asyncio.StreamWriter
        ) -> None:
            await reader.read(100)
            writer.write(bytes(answer))
            await writer.drain()
            writer.close()

        server = await asyncio.start_server(refuse, "127.0.0.1", 0)
        port = server.sockets[0].getsockname()[1]
        async with server, publishing(port, tmp_path) as on:
            await on.until(lambda: any("3.1.1" in text for text in on.troubles))
            return on.troubles[-1]

    assert 'set protocol = "3.1.1" under [mqtt]' in asyncio.run(main())


@pytest.mark.parametrize("host", ["no-such-host.invalid", "bad..host"])
def test_a_name_that_nobody_knows_is_said_and_holds_up_nothing(
    host: str, tmp_path: Path
) -> None:
    """RFC 6761, 6.4: ``invalid`` is never found."""

    async def main() -> str:
        async with publishing(1883, tmp_path, host=host) as on:
            await on.until(lambda: bool(on.troubles))
            on.tell([alarm(1)])
            return on.troubles[0]

    assert asyncio.run(main()).startswith(f"no broker on {host}:1883: ")
