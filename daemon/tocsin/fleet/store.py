"""PostgreSQL, through psycopg 3: the one file that imports it.

Errors are told by the classes of SQLSTATE (PostgreSQL 15 documentation, appendix A).
"""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import replace
from typing import TYPE_CHECKING, Any, LiteralString

import psycopg

from tocsin.fleet import migrations
from tocsin.fleet import statements as sql
from tocsin.fleet.ports import Batch, Site, StoreError, Written
from tocsin.fleet.told import Aside

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from tocsin.fleet.told import Event, State, Summary

CONNECT_S = 10
LOCK = 8_107_114
"""Of the advisory lock under which one program at a time changes the schema."""

MOST_ASIDE = 100_000
"""Rows set aside that are kept; the oldest go."""

LONGEST_ASIDE = 4_096
"""Bytes kept of a payload set aside."""

Connection = psycopg.Connection[tuple[Any, ...]]


class Store:
    """One database, connected to when it is needed.

    Args:
        dsn: As libpq has it: ``postgresql://...`` or ``host=... dbname=...``.
    """

    def __init__(self, dsn: str) -> None:
        self._dsn = dsn
        self._connection: Connection | None = None

    def close(self) -> None:
        """Let go of the connection; the next call makes another."""
        connection, self._connection = self._connection, None
        if connection is not None:
            connection.close()

    def prepare(self) -> int:
        """Make the tables, or bring them up to date; return their version.

        Raises:
            StoreError: that cannot be done.
        """
        with self._open() as connection, connection.transaction():
            connection.execute("SELECT pg_advisory_xact_lock(%s)", (LOCK,))
            if not connection.execute(sql.HAS_SCHEMA).fetchone():
                connection.execute(sql.MAKE_SCHEMA)
            version = _version(connection)
            known = migrations.newest()
            if version > known:
                raise StoreError(
                    f"the database has version {version} of the tables, this program "
                    f"knows {known}: install a newer Tocsin",
                    is_passing=False,
                )
            for step in migrations.after(version):
                connection.execute(step.text.encode())  # our own file
                connection.execute(sql.MIGRATED, (step.version,))
            if connection.execute(sql.HAS_HYPERTABLES).fetchone():
                connection.execute(sql.MAKE_HYPERTABLE)
            return known

    def write(self, batch: Batch) -> Written:
        """Store *batch* in one transaction.

        What the database refuses for what it says, not for what state the database is
        in, is set aside with the reason, and the rest is stored.

        Raises:
            StoreError: nothing of it is stored.
        """
        with self._open() as connection:
            try:
                with connection.transaction():
                    return _written(connection, batch)
            except (psycopg.DataError, psycopg.IntegrityError):
                with connection.transaction():
                    return _one_by_one(connection, batch)

    def sites(self) -> list[Site]:
        """Return every site.

        Raises:
            StoreError: that cannot be done, or there are no tables yet.
        """
        with self._open() as connection:
            if not _version(connection):
                raise StoreError(
                    "the database has no tables of a fleet: `tocsin fleet collect` "
                    "makes them",
                    is_passing=False,
                )
            return [
                Site(
                    site=site,
                    name=name,
                    state=state,
                    silent_s=None if silent_s is None else float(silent_s),
                    summary=summary,
                    missing=int(missing),
                )
                for site, name, state, silent_s, summary, missing in connection.execute(
                    sql.SITES
                ).fetchall()
            ]

    @contextmanager
    def _open(self) -> Iterator[Connection]:
        try:
            if self._connection is None or self._connection.broken:
                self.close()
                self._connection = psycopg.connect(
                    self._dsn,
                    autocommit=True,
                    connect_timeout=CONNECT_S,
                    application_name="tocsin",
                )
                self._connection.execute(sql.COMMIT_FOR_SURE)
            yield self._connection
        except psycopg.Error as exc:
            self.close()
            raise StoreError(_why(exc), is_passing=_is_passing(exc)) from exc


def _version(connection: Connection) -> int:
    (found,) = connection.execute(sql.IS_MADE).fetchone() or (None,)
    if found is None:
        return 0
    (version,) = connection.execute(sql.VERSION).fetchone() or (0,)
    return int(version)


def _written(connection: Connection, batch: Batch) -> Written:
    count = 0
    if batch.events:
        columns = _columns(batch.events, "site", "epoch", "seq", "at", "kind", "detail")
        (count,) = connection.execute(sql.EVENTS, columns).fetchone() or (0,)
    if batch.summaries:
        names = ("site", "epoch", "seq", "at", "detail")
        connection.execute(sql.SUMMARIES, _columns(batch.summaries, *names))
        newest = {each.site: each for each in batch.summaries}
        rows = [newest[site] for site in sorted(newest)]
        columns = _columns(rows, "site", "name", "epoch", "seq", "at", "detail")
        connection.execute(sql.NEWEST, columns)
    if batch.states:
        states = {each.site: each for each in batch.states}
        columns = _columns([states[site] for site in sorted(states)], "site", "state")
        connection.execute(sql.STATES, columns)
    _set_aside(connection, batch.asides)
    return Written(events=int(count))


def _one_by_one(connection: Connection, batch: Batch) -> Written:
    """Store each alone, and set aside what cannot be."""
    done = Written()
    singles: list[tuple[Event | Summary | State, Batch]] = [
        *((each, Batch(events=[each])) for each in batch.events),
        *((each, Batch(summaries=[each])) for each in batch.summaries),
        *((each, Batch(states=[each])) for each in batch.states),
    ]
    for told, single in singles:
        try:
            with connection.transaction():
                new = _written(connection, single)
        except (psycopg.DataError, psycopg.IntegrityError) as exc:
            _set_aside(connection, [Aside(heard=told.heard, reason=_why(exc))])
            done = replace(done, asides=done.asides + 1)
        else:
            done = replace(done, events=done.events + new.events)
    _set_aside(connection, batch.asides)
    return done


def _set_aside(connection: Connection, asides: Sequence[Aside]) -> None:
    if not asides:
        return
    topics = [each.heard.topic.replace("\0", "?") for each in asides]
    payloads = [each.heard.payload[:LONGEST_ASIDE] for each in asides]
    reasons = [each.reason for each in asides]
    connection.execute(sql.ASIDE, (topics, payloads, reasons))
    connection.execute(sql.FORGET_ASIDE, (MOST_ASIDE,))


def _columns(rows: Sequence[object], *names: str) -> tuple[list[Any], ...]:
    return tuple([getattr(row, name) for row in rows] for name in names)


def _why(exc: psycopg.Error) -> str:
    said = str(exc.diag.message_primary or exc).strip() or type(exc).__name__
    return said.splitlines()[0]


PASSING: tuple[LiteralString, ...] = ("08", "40", "53", "55", "57", "58")
"""Classes: connection, rollback, no resources (a full disk), state, intervention,
system. Anything else is a matter of rights or of the tables."""


def _is_passing(exc: psycopg.Error) -> bool:
    if exc.sqlstate is None:  # nobody answered at all
        return isinstance(exc, psycopg.OperationalError)
    return exc.sqlstate.startswith(PASSING)
