"""The whole daemon, told to a fleet: from registers on a bus to rows in a database."""

from __future__ import annotations

import asyncio
import json
from typing import TYPE_CHECKING

import broker
from asyncapi import Recorder
from fleet_stage import member
from scan_stage import until
from whole_stage import daemon, served

if TYPE_CHECKING:
    from pathlib import Path

    import postgres

TREE = "fern-ridge-hut/5/fern-ridge-hut"
SUMMARY, PAGE = f"{TREE}/fleet/summary", "reply/fern-ridge-hut/history/office"


def test_a_low_cell_at_a_hut_becomes_an_event_and_a_summary_in_the_database(
    tmp_path: Path, server: postgres.Server, database: str
) -> None:
    def ask(text: str) -> list[tuple[object, ...]]:
        return server.run(text, database=database)

    async def main(port: int, ears: broker.Ears, mouth: broker.Mouth) -> None:
        table = f'[fleet]\nhost = "127.0.0.1"\nport = {port}\nhistory = true\n'
        async with served(tmp_path) as whole, daemon(whole, table) as serving:
            await whole.until(30, serving)
            whole.cell("right", 11, 2_700)
            await whole.until(130, serving)
            await until(lambda: ask("SELECT 1 FROM fleet.event WHERE kind = 'alarm'"))
            told = "SELECT 1 FROM fleet.site WHERE summary IS NOT NULL"
            await until(lambda: ask(told))
            mouth.say(
                f"{TREE}/history/request/set",
                json.dumps({"from_s": 0, "to_s": 1e10}),
                reply_to=PAGE,
                wait=False,
            )
            await until(lambda: PAGE in ears.kept)

    with (
        broker.running(tmp_path) as running,
        member(running.port, server.dsn(database)),
        broker.listening(running.port) as ears,
        broker.speaking(running.port) as mouth,
    ):
        asyncio.run(main(running.port, ears, mouth))
        ears.wait_for(lambda: ears.kept.get(f"{TREE}/$state") == b"disconnected")
    recorder = Recorder()
    for each in ears.messages:
        if not each.topic.endswith("/set"):
            recorder.take(
                each.topic, each.payload, retained=each.retained, expiry=each.expiry
            )
    assert recorder.faults == []
    assert {"rows", "next_s"} < json.loads(ears.kept[PAGE]).keys()
    ((name, missing),) = ask(
        "SELECT name, (SELECT sum(last_seq - events) FROM fleet.epoch) FROM fleet.site"
    )
    assert (name, missing) == ("Fern Ridge hut", 0)
