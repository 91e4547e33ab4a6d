"""The database: what is stored once, what is counted, what is set aside."""

from __future__ import annotations

import threading
from datetime import UTC, datetime, timedelta
from random import Random
from typing import TYPE_CHECKING, Any

import pytest

from fleet_stage import event, state, summary
from tocsin.fleet import Batch, Site, StoreError
from tocsin.fleet.store import Store
from tocsin.fleet.told import Aside, BadMessageError, read
from tocsin.mqtt.commands import Heard

if TYPE_CHECKING:
    from collections.abc import Iterator

    import postgres


@pytest.fixture
def store(server: postgres.Server, database: str) -> Iterator[Store]:
    made = Store(server.dsn(database))
    made.prepare()
    yield made
    made.close()


@pytest.fixture
def rows(server: postgres.Server, database: str) -> Any:
    def ask(text: str, *values: Any) -> list[Any]:
        return server.run(text, *values, database=database)

    return ask


def site(store: Store, name: str = "hut") -> Site:
    (found,) = [each for each in store.sites() if each.site == name]
    return found


def test_the_tables_are_made_once_by_whoever_comes_first(
    server: postgres.Server, database: str
) -> None:
    done: list[int] = []

    def prepare() -> None:
        one = Store(server.dsn(database))
        done.append(one.prepare())
        one.close()

    threads = [threading.Thread(target=prepare) for _ in range(4)]
    for each in threads:
        each.start()
    for each in threads:
        each.join()
    assert done == [1, 1, 1, 1]
    told = server.run("SELECT version FROM fleet.migration", database=database)
    assert told == [(1,)]


def test_newer_tables_are_left_alone(store: Store, rows: Any) -> None:
    rows("INSERT INTO fleet.migration (version) VALUES (99)")
    with pytest.raises(StoreError, match="version 99") as caught:
        store.prepare()
    assert not caught.value.is_passing


def test_an_event_that_comes_twice_is_stored_once(store: Store, rows: Any) -> None:
    first = store.write(Batch(events=[event(1), event(2), event(2)]))
    again = store.write(Batch(events=[event(2), event(3)]))
    assert (first.events, again.events) == (2, 1)
    assert rows("SELECT seq FROM fleet.event ORDER BY seq") == [(1,), (2,), (3,)]
    assert rows("SELECT events, last_seq, gap_since FROM fleet.epoch") == [(3, 3, None)]


def test_order_is_rebuilt_whoever_brought_what_first(store: Store, rows: Any) -> None:
    wanted = [(epoch, seq) for epoch in ("b", "a") for seq in range(1, 9)]
    told = [event(seq, epoch=epoch, minute=n) for n, (epoch, seq) in enumerate(wanted)]
    Random(1).shuffle(told)
    for each in told:
        store.write(Batch(events=[each]))
    found = rows("SELECT epoch, seq FROM fleet.event_in_order WHERE site = 'hut'")
    assert found == wanted


@pytest.mark.parametrize(
    ("seqs", "missing"),
    [((1, 2, 3), 0), ((1, 3), 1), ((3, 1, 2), 0), ((4,), 3), ((2, 5, 5), 3)],
)
def test_events_that_nobody_brought_are_counted_after_a_minute(
    seqs: tuple[int, ...], missing: int, store: Store, rows: Any
) -> None:
    for seq in seqs:
        store.write(Batch(events=[event(seq)]))
    assert site(store).missing == 0, "the other collector may just be writing it"
    rows("UPDATE fleet.epoch SET gap_since = gap_since - interval '61 seconds'")
    assert site(store).missing == missing


def test_a_gap_that_is_filled_is_none(store: Store, rows: Any) -> None:
    store.write(Batch(events=[event(1), event(3)]))
    store.write(Batch(events=[event(2)]))
    assert rows("SELECT gap_since FROM fleet.epoch") == [(None,)]


def test_the_newest_summary_of_an_epoch_counts_and_all_are_kept(
    store: Store, rows: Any
) -> None:
    for seq in (1, 3, 2):
        store.write(Batch(summaries=[summary(seq, alarm_count=seq)]))
    assert site(store).summary["alarm_count"] == 3  # type: ignore[index]
    store.write(Batch(summaries=[summary(1, epoch="b", alarm_count=7)]))
    assert site(store).summary["alarm_count"] == 7  # type: ignore[index]
    store.write(Batch(summaries=[summary(1, epoch="b", alarm_count=7)]))
    assert rows("SELECT count(*) FROM fleet.summary") == [(4,)]


def test_a_state_is_a_sign_of_life_only_if_it_says_so(store: Store) -> None:
    store.write(Batch(states=[state("lost")]))
    assert (site(store).state, site(store).silent_s) == ("lost", None)
    store.write(Batch(states=[state("ready")]))
    silent_s = site(store).silent_s
    assert silent_s is not None
    assert 0 <= silent_s < 60
    store.write(Batch(states=[state("lost")]))
    assert site(store).silent_s is not None
    assert site(store).state == "lost"


@pytest.mark.parametrize(
    "detail",
    [
        '{"text":"\\u0000"}',
        '{"text":"\\ud800"}',
        '{"value":1e999999}',
    ],
)
def test_what_the_database_cannot_hold_is_set_aside_and_the_rest_is_stored(
    detail: str, store: Store, rows: Any
) -> None:
    """RFC 8259 allows all three; PostgreSQL 15, 8.14 "JSON Types", does not."""
    bad = event(2, detail=detail)
    done = store.write(Batch(events=[event(1), bad, event(3)]))
    assert (done.events, done.asides) == (2, 1)
    ((topic, payload, reason),) = rows("SELECT topic, payload, reason FROM fleet.aside")
    assert topic == bad.heard.topic
    assert bytes(payload) == bad.heard.payload
    assert reason
    assert rows("SELECT seq FROM fleet.event ORDER BY seq") == [(1,), (3,)]


def test_only_the_newest_rows_set_aside_are_kept(
    store: Store, rows: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tocsin.fleet.store.MOST_ASIDE", 3)
    bad = Aside(heard=Heard(topic="a\0b", payload=b"x" * 9_000), reason="why")
    for _ in range(3):
        store.write(Batch(asides=[bad, bad]))
    found = rows("SELECT id, topic, length(payload) FROM fleet.aside ORDER BY id")
    assert found == [(4, "a?b", 4_096), (5, "a?b", 4_096), (6, "a?b", 4_096)]


@pytest.mark.usefixtures("store")
def test_two_collectors_that_write_the_same_rows_do_not_hold_each_other_up(
    server: postgres.Server, database: str, rows: Any
) -> None:
    wrong: list[str] = []

    def write(seed: int) -> None:
        one, chance = Store(server.dsn(database)), Random(seed)
        for _ in range(40):
            told = [
                event(chance.randrange(1, 40), site=f"hut-{chance.randrange(5)}")
                for _ in range(30)
            ]
            try:
                one.write(
                    Batch(events=told, states=[state("ready", e.site) for e in told])
                )
            except StoreError as exc:
                wrong.append(str(exc))
        one.close()

    threads = [threading.Thread(target=write, args=(n,)) for n in range(3)]
    for each in threads:
        each.start()
    for each in threads:
        each.join()
    assert wrong == []
    assert rows(
        "SELECT count(*) FROM fleet.epoch e WHERE events <> (SELECT count(*) "
        "FROM fleet.event v WHERE (v.site, v.epoch) = (e.site, e.epoch))"
    ) == [(0,)]


def test_summaries_become_a_hypertable_where_there_are_such(
    server: postgres.Server, database: str
) -> None:
    """Of TimescaleDB itself only the function's name and arguments are stood in for."""
    server.run(
        "CREATE TABLE asked (relation regclass, dimension name, step interval, "
        "again bool, move bool); CREATE FUNCTION create_hypertable(relation regclass, "
        "time_column_name name, chunk_time_interval interval, if_not_exists bool, "
        "migrate_data bool) RETURNS void LANGUAGE sql AS "
        "'INSERT INTO asked VALUES ($1, $2, $3, $4, $5)'",
        database=database,
    )
    one = Store(server.dsn(database))
    one.prepare()
    one.write(Batch(summaries=[summary(1)]))
    one.close()
    told = server.run("SELECT * FROM asked", database=database)
    assert told == [("fleet.summary", "at", timedelta(days=1), True, True)]


def test_a_database_that_is_not_there_is_told_in_one_line(
    server: postgres.Server,
) -> None:
    one = Store(server.dsn("nowhere"))
    with pytest.raises(StoreError, match='database "nowhere" does not exist') as caught:
        one.prepare()
    assert "\n" not in str(caught.value)


def test_without_tables_the_list_says_who_makes_them(
    server: postgres.Server, database: str
) -> None:
    one = Store(server.dsn(database))
    with pytest.raises(StoreError, match="tocsin fleet collect"):
        one.sites()
    one.close()


GOOD = b'{"epoch":"e","seq":1,"at":"2026-01-16T18:00:00Z","kind":"note"}'


@pytest.mark.parametrize(
    ("topic", "payload", "why"),
    [
        ("hut/5/hut/events/event", b"", "no JSON"),
        ("hut/5/hut/events/event", b"[1]", "no JSON object"),
        ("hut/5/hut/events/event", b"\xff", "no JSON"),
        ("hut/5/hut/events/event", b"[" * 9_000, "no JSON"),
        ("hut/5/hut/events/event", b'{"x":NaN}', "no JSON"),
        ("hut/5/hut/events/event", GOOD.replace(b"1", b"0", 1), "seq"),
        ("hut/5/hut/events/event", GOOD.replace(b"1", b"true", 1), "seq"),
        (
            "hut/5/hut/events/event",
            GOOD.replace(b"1", b"9223372036854775808", 1),
            "seq",
        ),
        ("hut/5/hut/events/event", GOOD.replace(b"Z", b""), "zone"),
        ("hut/5/hut/events/event", GOOD.replace(b'"e"', b'""'), "epoch"),
        ("hut/5/hut/events/event", GOOD.replace(b'"e"', b'"\\u0000"'), "epoch"),
        ("hut/5/hut/events/event", GOOD.replace(b"note", b"order"), "kind"),
        ("hut/5/hut/fleet/summary", GOOD, "name"),
        ("hut/5/hut/$state", b"happy", "state"),
        ("hut/5/other/events/event", GOOD, "own tree"),
        ("Hut/5/Hut/events/event", GOOD, "own tree"),
    ],
)
def test_a_message_that_cannot_be_read_says_why(
    topic: str, payload: bytes, why: str
) -> None:
    with pytest.raises(BadMessageError, match=why):
        read(Heard(topic=topic, payload=payload))


@pytest.mark.parametrize("seq", [1, 2, 2**63 - 1])
def test_a_sound_event_is_read_as_it_is(seq: int) -> None:
    payload = GOOD.replace(b"1", b"%d" % seq, 1)
    told = read(Heard(topic="hut/5/hut/events/event", payload=payload))
    assert (told.site, told.seq) == ("hut", seq)  # type: ignore[union-attr]
    assert told.at == datetime(2026, 1, 16, 18, tzinfo=UTC)  # type: ignore[union-attr]
