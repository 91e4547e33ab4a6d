"""The collector as a process, between a real broker and a real database.

Section numbers are those of MQTT 5.0 (OASIS, 2019).
"""

from __future__ import annotations

import json
import re
import signal
import time
from typing import TYPE_CHECKING, Any

import pytest

import broker
import postgres
from fleet_stage import Member, event, member, summary
from tocsin.cli import main

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

MORE = "allow_anonymous true\nmax_inflight_messages 1000\nmax_queued_messages 100000"


@pytest.fixture
def running(tmp_path: Path) -> Iterator[broker.Broker]:
    with broker.running(tmp_path, more=MORE) as made:
        yield made


@pytest.fixture
def one(
    running: broker.Broker, server: postgres.Server, database: str
) -> Iterator[Member]:
    with member(running.port, server.dsn(database)) as made:
        yield made


class Rows:
    def __init__(self, server: postgres.Server, database: str) -> None:
        self.server, self.database = server, database

    def ask(self, text: str) -> list[Any]:
        return self.server.run(text, database=self.database)

    def seqs(self) -> list[int]:
        return [n for (n,) in self.ask("SELECT seq FROM fleet.event ORDER BY seq")]

    def until(self, done: Callable[[], object]) -> None:
        for _ in range(400):
            if done():
                return
            time.sleep(0.05)
        pytest.fail(f"not in time; events {self.seqs()[-5:]}")


@pytest.fixture
def rows(server: postgres.Server, database: str) -> Rows:
    return Rows(server, database)


def say(mouth: broker.Mouth, *told: Any) -> None:
    for each in told:
        mouth.say(each.heard.topic, each.heard.payload)


def events(first: int, last: int) -> list[Any]:
    return [event(n) for n in range(first, last + 1)]


def test_what_sites_tell_is_stored_and_counted(
    running: broker.Broker, one: Member, rows: Rows
) -> None:
    with broker.speaking(running.port) as mouth:
        say(mouth, *events(1, 30), summary(1), *events(5, 10))
        mouth.say("hut/5/hut/$state", "ready", retain=True)
        mouth.say("hut/5/hut/events/event", "rubbish")
        rows.until(lambda: rows.seqs() == [*range(1, 31)])
        rows.until(lambda: rows.ask("SELECT state FROM fleet.site") == [("ready",)])
        rows.until(lambda: rows.ask("SELECT reason FROM fleet.aside") != [])
    said = one.stop(signal.SIGTERM)
    assert "30 events, 6 of them again, 1 summaries, 1 states" in said
    assert "1 set aside, 0 dropped" in said
    assert one.code == 0


def test_killed_at_any_moment_nothing_is_lost_or_doubled(
    running: broker.Broker, one: Member, rows: Rows
) -> None:
    """The broker sends again what was not acknowledged: section 4.4."""
    with broker.speaking(running.port) as mouth:
        for turn in range(4):
            for each in events(turn * 200 + 1, turn * 200 + 200):
                mouth.say(each.heard.topic, each.heard.payload, wait=False)
            time.sleep(0.02 * turn)
            one.stop(signal.SIGKILL)
            one.start()
        rows.until(lambda: rows.seqs() == [*range(1, 801)])
    assert rows.ask("SELECT events, last_seq FROM fleet.epoch") == [(800, 800)]


def test_two_in_a_group_divide_the_work_and_one_that_retires_leaves_nothing_behind(
    running: broker.Broker, one: Member, rows: Rows
) -> None:
    """Section 4.8.2; a broker goes on keeping for a member that only went away."""
    with (
        broker.speaking(running.port) as mouth,
        member(running.port, one.dsn, name="two") as two,
    ):
        say(mouth, *events(1, 100))
        rows.until(lambda: rows.seqs() == [*range(1, 101)])
        said = two.stop(signal.SIGTERM)
        assert re.search(r"\b[1-9]\d* events, 0 of them again", said)
        say(mouth, *events(101, 200))
        rows.until(lambda: len(rows.seqs()) == 150)
        done = two.retire()
        assert (done.returncode, "50 events, 0 of" in done.stderr) == (0, True)
        say(mouth, *events(201, 300))
        rows.until(lambda: rows.seqs() == [*range(1, 301)])


def test_while_the_database_is_away_nothing_is_acknowledged_and_nothing_lost(
    running: broker.Broker,
) -> None:
    with (
        postgres.served() as own,
        member(running.port, own.dsn()) as one,
        broker.speaking(running.port) as mouth,
    ):
        found = Rows(own, "fleet")
        say(mouth, *events(1, 10))
        found.until(lambda: found.seqs() == [*range(1, 11)])
        own.stop()
        say(mouth, summary(1), *events(11, 1_500))
        one.until("the database stores nothing")
        own.start()
        found.until(lambda: found.seqs() == [*range(1, 1_501)])
        one.until("the database stores again")
        found.until(lambda: found.ask("SELECT seq FROM fleet.summary") == [(1,)])


def test_rights_taken_away_are_told_once_and_nothing_is_lost(
    running: broker.Broker, server: postgres.Server, rows: Rows, database: str
) -> None:
    role = f"collector_{database.replace('-', '_')}"
    rows.ask(f"CREATE ROLE {role} LOGIN; CREATE SCHEMA fleet AUTHORIZATION {role}")
    dsn = server.dsn(database, user=role)
    with (
        member(running.port, dsn) as one,
        broker.speaking(running.port) as mouth,
    ):
        say(mouth, *events(1, 3))
        rows.until(lambda: rows.seqs() == [1, 2, 3])
        rows.ask("ALTER TABLE fleet.event OWNER TO postgres")
        say(mouth, *events(4, 6))
        one.until("permission denied for table event")
        time.sleep(2.5)
        assert one.said().count("permission denied") == 1
        rows.ask(f"ALTER TABLE fleet.event OWNER TO {role}")
        rows.until(lambda: rows.seqs() == [*range(1, 7)])


def test_whoever_may_not_make_the_tables_is_told_and_ends(
    running: broker.Broker, server: postgres.Server, rows: Rows, database: str
) -> None:
    role = f"nobody_{database.replace('-', '_')}"
    rows.ask(f"CREATE ROLE {role} LOGIN")
    with member(running.port, server.dsn(database, user=role), ready="") as one:
        assert one.wait() == 1
        said = one.said().strip().splitlines()
    assert said == [f"tocsin: the database: permission denied for database {database}"]


def test_a_database_that_is_full_is_told_and_nothing_is_lost(
    running: broker.Broker, one: Member, rows: Rows, server: postgres.Server
) -> None:
    """SQLSTATE 53100, as PostgreSQL raises it when a file cannot grow."""
    rows.ask(
        "CREATE FUNCTION full_up() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN RAISE "
        "'could not extend file: No space left on device' USING ERRCODE = '53100'; "
        "END $$; CREATE TRIGGER full_up BEFORE INSERT ON fleet.event "
        "EXECUTE FUNCTION full_up()"
    )
    with broker.speaking(running.port) as mouth:
        say(mouth, *events(1, 5))
        one.until("No space left on device")
        assert rows.seqs() == []
        rows.ask("DROP TRIGGER full_up ON fleet.event")
        rows.until(lambda: rows.seqs() == [1, 2, 3, 4, 5])
    assert server.pid > 0


def test_a_broker_that_vanishes_is_waited_for_and_sends_what_is_left(
    tmp_path: Path, server: postgres.Server, rows: Rows, database: str
) -> None:
    more = f"{MORE}\npersistence true\npersistence_location {tmp_path}/"
    with (
        broker.running(tmp_path, more=more) as running,
        member(running.port, server.dsn(database)) as one,
    ):
        with broker.speaking(running.port) as mouth:
            say(mouth, *events(1, 5))
            rows.until(lambda: len(rows.seqs()) == 5)
            one.pause(is_paused=True)
            say(mouth, *events(6, 10))
        running.send_signal(signal.SIGUSR1)  # saves what it holds
        time.sleep(0.5)
        running.stop()
        one.pause(is_paused=False)
        one.until("no broker on")
        running.start()
        rows.until(lambda: rows.seqs() == [*range(1, 11)])


def test_a_broker_that_refuses_is_told_in_words(
    tmp_path: Path, server: postgres.Server, database: str
) -> None:
    with (
        broker.running(tmp_path, more="allow_anonymous false") as running,
        member(running.port, server.dsn(database), ready="") as one,
    ):
        one.until("the broker refuses: Not authorized")


def test_no_collector_waits_for_a_database_that_is_not_up_yet(
    running: broker.Broker, tmp_path: Path
) -> None:
    with member(running.port, f"host={tmp_path} dbname=x", ready="") as one:
        one.until("no database yet")
        assert "connection" in one.said()
        one.stop(signal.SIGTERM)
    assert one.code == 0


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (["--database", "x"], "--host"),
        (["--host", "h"], "which database?"),
        (["--host", "h", "--database", "x", "--key", "k"], "without --certificate"),
        (["--host", "h", "--database", "x", "--certificate", "c"], "without --ca"),
        (["--host", "h", "--database", "x", "--name", "a b"], "no name of"),
        (["--host", "h", "--database", "x", "--port", "0"], "no port"),
        (["--host", "h", "--database", "x", "--password-file", "f"], "--username"),
    ],
)
def test_wrong_arguments_are_told_and_end_with_two(
    args: list[str],
    said: str,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.delenv("TOCSIN_FLEET_DATABASE", raising=False)
    try:
        code = main(["fleet", "collect", *args])
    except SystemExit as exc:
        code = int(str(exc.code))
    assert code == 2
    assert said in capsys.readouterr().err


def test_the_list_says_how_the_sites_stand(
    running: broker.Broker,
    one: Member,
    rows: Rows,
    capsys: pytest.CaptureFixture[str],
) -> None:
    alarm = {"alarm": "low-cell", "subject": "left/2", "priority": "high"}
    with broker.speaking(running.port) as mouth:
        say(mouth, summary(1, site="quiet"), summary(1, site="fine"))
        say(mouth, summary(1, site="loud", alarms=[alarm], alarm_count=2))
        rows.until(lambda: len(rows.ask("SELECT 1 FROM fleet.site")) == 3)
    rows.ask(
        "UPDATE fleet.site SET heard_at = now() - interval '3 hours' "
        "WHERE site = 'quiet'"
    )
    assert main(["fleet", "list", "--database", one.dsn, "--json"]) == 0
    told = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [(each["site"], each["rank"]) for each in told] == [
        ("quiet", "silent"),
        ("loud", "high-alarm"),
        ("fine", "all-right"),
    ]
    assert told[0]["why"][0] == "silent for 3 h"
    assert told[1]["why"][0] == "high alarm low-cell left/2 and 1 more"
    assert main(["fleet", "list", "--database", one.dsn, "--silent-after", "4h"]) == 0
    lines = capsys.readouterr().out.splitlines()
    names = [line.split()[0] for line in lines[:-1]]
    assert names[:2] == ["site", "loud"]
    assert set(names[2:]) == {"quiet", "fine"}
    assert lines[-1] == "3 sites, 1 need a look"


def test_the_list_of_no_database_fails_in_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["fleet", "list", "--database", f"host={tmp_path} dbname=x"]) == 1
    (said,) = capsys.readouterr().err.splitlines()
    assert said.startswith("tocsin: the database cannot be read: ")
