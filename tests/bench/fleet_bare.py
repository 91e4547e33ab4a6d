"""The least that stores the same rows: paho, and psycopg's insert. No more.

    python tests/bench/fleet_bare.py PORT DSN

It acknowledges at once, keeps no session, and reads nothing but what a row needs.
"""

from __future__ import annotations

import json
import queue
import sys
import threading

import paho.mqtt.client as paho
import psycopg
from paho.mqtt.enums import CallbackAPIVersion

TABLES = """
CREATE TABLE IF NOT EXISTS bare_event (site text, epoch text, seq bigint,
    at timestamptz, kind text, detail jsonb, PRIMARY KEY (site, epoch, seq));
CREATE TABLE IF NOT EXISTS bare_summary (site text, epoch text, seq bigint,
    at timestamptz, detail jsonb, PRIMARY KEY (site, epoch, seq));
CREATE TABLE IF NOT EXISTS bare_site (site text PRIMARY KEY, state text,
    heard_at timestamptz DEFAULT now(), summary jsonb);
"""
EVENT = (
    "INSERT INTO bare_event SELECT * FROM unnest(%s::text[], %s::text[], %s::bigint[], "
    "%s::timestamptz[], %s::text[], %s::text[]::jsonb[]) ON CONFLICT DO NOTHING"
)
SUMMARY = (
    "INSERT INTO bare_summary SELECT * FROM unnest(%s::text[], %s::text[], "
    "%s::bigint[], %s::timestamptz[], %s::text[]::jsonb[]) ON CONFLICT DO NOTHING"
)
SITE = (
    "INSERT INTO bare_site (site, summary) VALUES (%s, %s) ON CONFLICT (site) "
    "DO UPDATE SET summary = excluded.summary, heard_at = now()"
)
STATE = (
    "INSERT INTO bare_site (site, state) VALUES (%s, %s) ON CONFLICT (site) "
    "DO UPDATE SET state = excluded.state, heard_at = now()"
)


def main(port: int, dsn: str) -> None:
    """Store until killed."""
    waiting: queue.Queue[tuple[str, bytes]] = queue.Queue()
    client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    client.on_message = lambda _c, _u, m: waiting.put((m.topic, bytes(m.payload)))
    client.on_connect = lambda c, *_: c.subscribe(
        [("+/5/+/events/event", 1), ("+/5/+/fleet/summary", 1), ("+/5/+/$state", 1)]
    )
    client.connect("127.0.0.1", port)
    threading.Thread(target=client.loop_forever, daemon=True).start()
    with psycopg.connect(dsn, application_name="bare") as connection:
        connection.execute(TABLES)
        connection.commit()
        while True:
            told = [waiting.get()]
            while len(told) < 1_000 and not waiting.empty():
                told.append(waiting.get())
            store(connection, told)
            connection.commit()


def store(connection: psycopg.Connection, told: list[tuple[str, bytes]]) -> None:
    events: list[tuple[object, ...]] = []
    summaries: list[tuple[object, ...]] = []
    for topic, payload in told:
        site = topic.partition("/")[0]
        if topic.endswith("$state"):
            connection.execute(STATE, (site, payload.decode()))
            continue
        row = json.loads(payload)
        key = (site, row["epoch"], row["seq"], row["at"])
        if topic.endswith("event"):
            events.append((*key, row["kind"], payload.decode()))
        else:
            summaries.append((*key, payload.decode()))
            connection.execute(SITE, (site, payload.decode()))
    if events:
        connection.execute(EVENT, [list(each) for each in zip(*events, strict=True)])
    if summaries:
        columns = [list(each) for each in zip(*summaries, strict=True)]
        connection.execute(SUMMARY, columns)


if __name__ == "__main__":
    main(int(sys.argv[1]), sys.argv[2])
