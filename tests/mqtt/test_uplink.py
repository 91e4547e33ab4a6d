"""The link to a fleet, on a real broker and under the eyes of both judges."""

from __future__ import annotations

import asyncio
import json
from functools import partial
from typing import TYPE_CHECKING, Any

import pytest

import broker
from asyncapi import Recorder
from core_builders import command, reading
from journal_stage import alarm
from mqtt_stage import SITE_ID, Journal, hut, judged, publishing, stage
from tocsin.core.events import ProofDue, Verb
from tocsin.mqtt import BadRequestError, Patience
from tocsin.mqtt import pages as desk
from tocsin.mqtt import publisher as room

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

TREE = f"{SITE_ID}/5/{SITE_ID}"
STATE, SUMMARY = f"{TREE}/$state", f"{TREE}/fleet/summary"
EVENTS, REQUEST = f"{TREE}/events/event", f"{TREE}/history/request/set"
LOW = (3_300, 2_900, 3_300, 3_300)


@pytest.fixture
def running(tmp_path: Path) -> Iterator[broker.Broker]:
    with broker.running(tmp_path) as made:
        yield made


def events(ears: broker.Ears) -> list[tuple[str, int]]:
    told = [json.loads(p) for topic, p, _ in list(ears.heard) if topic == EVENTS]
    return [(each["epoch"], each["seq"]) for each in told]


def test_a_fleet_hears_state_summary_and_events_and_nothing_else(
    running: broker.Broker, tmp_path: Path
) -> None:
    async def main(ears: broker.Ears) -> Journal:
        async with publishing(running.port, tmp_path, fleet={}) as on:
            await on.until(lambda: ears.kept.get(STATE) == b"ready")
            on.hear(2_000, left=LOW)
            rows = on.journal.rows
            await on.until(lambda: len(events(ears)) == len(rows))
            return on.journal

    with judged(running.port, SITE_ID) as ears:
        book = asyncio.run(main(ears))
        ears.wait_for(lambda: ears.kept[STATE] == b"disconnected")
    wanted = {STATE, f"{TREE}/$description", SUMMARY, EVENTS}
    assert {topic for topic, _, _ in ears.heard} == wanted
    assert events(ears) == [(row.run_id, row.seq) for row in book.rows]
    assert len(events(ears)) > 3
    summaries = [p for topic, p, _ in ears.heard if topic == SUMMARY]
    assert len(summaries) == 1, "one a minute, whatever happens"


def test_a_summary_comes_each_minute_and_says_what_decides(
    running: broker.Broker, tmp_path: Path
) -> None:
    async def main(ears: broker.Ears) -> None:
        async with publishing(running.port, tmp_path, fleet={}) as on:
            on.play(ProofDue(at_ms=1_500, in_ms=86_400_000))
            on.hear(59_999, left=LOW)
            await on.until(lambda: SUMMARY in ears.kept)
            on.hear(61_000, left=LOW)
            await on.until(lambda: json.loads(ears.kept[SUMMARY])["seq"] == 2)

    with judged(running.port, SITE_ID) as ears:
        asyncio.run(main(ears))
    first, second = (
        json.loads(p) for topic, p, _ in list(ears.heard) if topic == SUMMARY
    )
    assert first["alarm_count"] == 0
    assert first["proof_due"] is None
    assert second["epoch"] == "run-1"
    assert second["alarms"][0]["alarm"] == "low-cell"
    assert second["alarms"][0]["subject"] == "left/2"
    assert second["packs"][0]["lowest_cell_v"] == 2.9
    assert second["proof_due"] == "2026-01-17T17:59:00.500Z"


def test_an_event_that_nobody_takes_is_sent_until_somebody_does(
    running: broker.Broker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """MQTT 5.0 (OASIS, 2019), table 3-8: 0x10, no matching subscribers."""
    monkeypatch.setattr(room, "REFUSED_AGAIN_S", 0.3)

    async def main() -> list[tuple[str, int]]:
        async with publishing(running.port, tmp_path, fleet={}) as on:
            on.hear(2_000, left=LOW)
            await on.until(lambda: any("no subscriber" in t for t in on.troubles))
            mark = on.publisher._archive.feed.mark
            assert mark is not None
            assert mark.seq == 0
            with broker.listening(running.port) as ears:
                rows = on.journal.rows
                await on.until(lambda: len(events(ears)) >= len(rows))
                await on.until(lambda: not on.publisher._archive.feed)
                assert on.troubles[-1] == ""
                return events(ears)

    told = asyncio.run(main())
    assert told == sorted(told)
    assert told[0] == ("run-1", 1)


def test_what_was_not_acknowledged_is_sent_by_the_next_run_and_a_new_epoch_follows(
    running: broker.Broker, tmp_path: Path
) -> None:
    book = Journal()

    async def alone() -> None:
        async with publishing(running.port, tmp_path, fleet={}, journal=book) as on:
            on.hear(2_000, left=LOW)
            await on.until(lambda: on.publisher._archive.feed.mark)

    async def main(ears: broker.Ears) -> None:
        async with publishing(
            running.port, tmp_path, fleet={}, journal=book, run_id="run-2"
        ) as on:
            await on.until(lambda: len(events(ears)) == len(book.rows))

    asyncio.run(alone())
    with judged(running.port, SITE_ID) as ears:
        asyncio.run(main(ears))
    assert events(ears) == [(row.run_id, row.seq) for row in book.rows]
    assert {epoch for epoch, _ in events(ears)} == {"run-1", "run-2"}


def test_home_and_fleet_do_not_wait_for_each_other(tmp_path: Path) -> None:
    """A fleet that is not there, and one that accepts and then never answers."""

    async def silent(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        held.append(writer)

    held: list[asyncio.StreamWriter] = []

    async def main(home: int) -> None:
        server = await asyncio.start_server(silent, "127.0.0.1", 0)
        port = server.sockets[0].getsockname()[1]
        for away in (broker.free_port(), port):
            folder = tmp_path / str(away)
            folder.mkdir()
            far = stage(away, folder, fleet={})
            async with far.publisher, publishing(home, folder) as on:
                far.hear(1_000)
                for at_ms in range(2_000, 40_000, 1_000):
                    far.hear(at_ms, left=LOW if at_ms % 2_000 else ())
                on.hear(2_000, left=LOW)
                await on.until(lambda: not on.publisher._archive.feed)
        for writer in held:
            writer.transport.abort()
        server.close()

    with broker.running(tmp_path) as running:
        asyncio.run(asyncio.wait_for(main(running.port), 30))
    assert held, "the silent one was really connected to"


def asked(running: broker.Broker, folder: Path, payloads: list[Any]) -> list[Any]:
    """Ask for pages one after the other; return the answers."""
    read: list[tuple[int, int, int]] = []

    async def pages(since_ms: int, until_ms: int, step_ms: int) -> dict[str, Any]:
        read.append((since_ms, until_ms, step_ms))
        if since_ms == 7_000:
            raise BadRequestError("there is no history")
        return {"from_s": 1, "to_s": 2, "next_s": None, "names": {}, "rows": []}

    recorder = Recorder()

    async def main(ears: broker.Ears) -> list[Any]:
        how: dict[str, Any] = {"gives_history": True, "pages": pages}
        async with publishing(running.port, folder, fleet=how) as on:
            await on.until(lambda: ears.kept.get(STATE) == b"ready")
            with broker.speaking(running.port) as mouth:
                for number, payload in enumerate(payloads):
                    text = payload if isinstance(payload, str) else json.dumps(payload)
                    mouth.say(
                        REQUEST,
                        text,
                        reply_to=f"reply/{SITE_ID}/history/office",
                        correlation=b"%d" % number,
                    )
                    await on.until(partial(answered, ears, number + 1))
        return [json.loads(each.payload) for each in replies(ears)]

    with broker.listening(running.port) as ears:
        told = asyncio.run(main(ears))
    for each in replies(ears):
        recorder.take(
            each.topic, each.payload, retained=each.retained, expiry=each.expiry
        )
    assert recorder.faults == []
    assert [e.correlation for e in replies(ears)] == [
        b"%d" % n for n in range(len(told))
    ]
    return [*told, read]


def answered(ears: broker.Ears, count: int) -> bool:
    return len(replies(ears)) == count


def replies(ears: broker.Ears) -> list[broker.Heard]:
    return [each for each in list(ears.messages) if each.topic.startswith("reply/")]


def test_a_page_is_given_to_whoever_asks_and_a_bad_request_is_told_why(
    running: broker.Broker, tmp_path: Path
) -> None:
    good = {"from_s": 100, "to_s": 200.5}
    *told, read = asked(
        running,
        tmp_path,
        [
            good,
            {**good, "step_s": 0},
            {"from_s": 7, "to_s": 8},
            {"from_s": 9, "to_s": 8},
            {"from_s": -1, "to_s": 8},
            {"from_s": True, "to_s": 8},
            {**good, "step_s": 86_401},
            {**good, "erase": True},
            "[" * 600,
            "NaN",
            {"to_s": 1},
        ],
    )
    assert [each.get("error", "") for each in told] == [
        "",
        "",
        "there is no history",
        "to_s is before from_s",
        "from_s is no number of seconds from 0 to 1e+11",
        "from_s is no number of seconds from 0 to 1e+11",
        "step_s is no number of seconds from 0 to 86400",
        "1 unknown keys; known: from_s, to_s, step_s",
        *["it is no JSON object of 1024 bytes at most"] * 2,
        "from_s is no number of seconds from 0 to 1e+11",
    ]
    assert read == [
        (100_000, 200_500, 60_000),
        (100_000, 200_500, 0),
        (7_000, 8_000, 60_000),
    ]


@pytest.mark.parametrize(("pages", "refused"), [(2, 0), (3, 0), (4, 1)])
def test_no_more_than_so_many_pages_a_minute(
    pages: int,
    refused: int,
    running: broker.Broker,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(desk, "BURST", 3)
    monkeypatch.setattr(desk, "EVERY_S", 1e9)
    *told, _ = asked(running, tmp_path, [{"from_s": 1, "to_s": 2}] * pages)
    assert sum("ask again later" in each.get("error", "") for each in told) == refused


def test_without_history_nothing_is_asked_and_no_command_is_obeyed(
    running: broker.Broker, tmp_path: Path
) -> None:
    async def main(ears: broker.Ears) -> None:
        async with publishing(running.port, tmp_path, fleet={}) as on:
            await on.until(lambda: ears.kept.get(STATE) == b"ready")
            with broker.speaking(running.port) as mouth:
                mouth.say(
                    REQUEST,
                    '{"from_s":1,"to_s":2}',
                    reply_to=f"reply/{SITE_ID}/history/x",
                )
                mouth.say(f"{TREE}/command/silence/set", "{}")
            on.play(command(2_000, Verb.SILENCE), reading(2_500, *LOW, pack="left"))
            await on.until(lambda: not on.publisher._archive.feed)
            assert on.asked == []
            assert on.refused == []

    with broker.listening(running.port) as ears:
        asyncio.run(main(ears))
    assert replies(ears) == []


def test_a_summary_names_at_most_twenty_alarms_and_counts_all(
    running: broker.Broker, tmp_path: Path
) -> None:
    packs = tuple(f"p{n}" for n in range(23))

    async def main(ears: broker.Ears) -> None:
        made = stage(
            running.port, tmp_path, fleet={"name": "hut-7"}, of=hut(packs=packs)
        )
        async with made.publisher:
            for pack in packs:
                made.player.play(reading(1_000, *LOW, pack=pack))
            made.show()
            await made.until(lambda: "hut-7/5/hut-7/fleet/summary" in ears.kept)

    with judged(running.port, "hut-7") as ears:
        asyncio.run(main(ears))
    told = json.loads(ears.kept["hut-7/5/hut-7/fleet/summary"])
    assert (told["alarm_count"], len(told["alarms"])) == (23, 20)


def test_a_closed_way_is_noted_only_when_it_lasts_and_so_is_its_end() -> None:
    said: list[str] = []

    async def main() -> None:
        patience = Patience(said.append, after_s=0.2)
        patience.trouble("no broker")
        patience.trouble("")
        patience.trouble("no broker")
        patience.trouble("name not known")
        await asyncio.sleep(0.1)
        assert said == []
        await asyncio.sleep(0.2)
        patience.trouble("no broker")
        await asyncio.sleep(0.3)
        patience.trouble("")
        patience.trouble("")
        patience.end()

    asyncio.run(main())
    assert [text.rpartition(": ")[2] for text in said] == [
        "name not known",
        "the fleet's broker takes our data again",
    ]


def test_a_warning_that_could_not_be_stored_reaches_the_fleet_all_the_same(
    running: broker.Broker, tmp_path: Path
) -> None:
    async def main(ears: broker.Ears) -> None:
        async with publishing(running.port, tmp_path, fleet={}) as on:
            on.publisher.tell([alarm(1)])
            await on.until(lambda: ("run-1-unstored", 1) in events(ears))

    with judged(running.port, SITE_ID) as ears:
        asyncio.run(main(ears))


def test_a_journal_that_begins_anew_is_sent_whole_as_a_new_epoch(
    running: broker.Broker, tmp_path: Path
) -> None:
    """The disk was replaced, and the fleet has seen more than the new journal holds."""
    long, fresh = Journal(), Journal()
    long.write([alarm(n) for n in range(1, 30)])

    async def old(ears: broker.Ears) -> None:
        async with publishing(
            running.port, tmp_path, fleet={}, journal=long, run_id="run-2"
        ) as on:
            last = ("run-2", on.journal.rows[-1].seq)
            await on.until(lambda: last in events(ears))

    async def new(ears: broker.Ears) -> None:
        before = len(events(ears))
        async with publishing(
            running.port, tmp_path, fleet={}, journal=fresh, run_id="run-3"
        ) as on:
            await on.until(lambda: len(events(ears)) == before + len(fresh.rows))

    with broker.listening(running.port) as ears:
        asyncio.run(old(ears))
        asyncio.run(new(ears))
    told = [seq for epoch, seq in events(ears) if epoch == "run-3"]
    assert told == [*range(1, len(fresh.rows) + 1)]
    assert told
