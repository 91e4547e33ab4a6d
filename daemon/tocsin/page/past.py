"""What was: the journal, the history and the test records, from their own files.

Everything here blocks for some tens of milliseconds and is called in a thread.
"""

from __future__ import annotations

import json
from contextlib import suppress
from typing import TYPE_CHECKING, Any

from tocsin.clock import iso_time
from tocsin.history import HistoryError, reader
from tocsin.journal import JournalError, read
from tocsin.page.asked import NoError
from tocsin.prove.page import html
from tocsin.prove.records import Record, RecordError, Verdict, listed, named
from tocsin.wire import fact_words

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from tocsin.journal import Row

MOST_RECORDS = 50


def journal(
    folder: Path, *, until_ms: int | None, last: int, kinds: Sequence[str]
) -> list[dict[str, Any]]:
    """Return the newest rows up to *until_ms*, newest first, in words.

    Raises:
        NoError: it cannot be read.
    """
    try:
        rows = list(read(folder, until_ms=until_ms, last=last, kinds=kinds))
    except JournalError as exc:
        raise NoError(404, str(exc)) from exc
    return [_row(row) for row in reversed(rows)]


def _row(row: Row) -> dict[str, Any]:
    words, priority = row.detail, None
    with suppress(ValueError, KeyError, TypeError):
        detail = json.loads(row.detail)
        words, priority = fact_words(detail), detail.get("priority")
    return {
        "id": row.id,
        "at": iso_time(row.wall_ms),
        "at_ms": row.wall_ms,
        "kind": row.kind,
        "subject": row.subject,
        "priority": priority,
        "words": words,
    }


def kept(folder: Path) -> dict[str, Any]:
    """Return what the history has: the span of time and the values of each pack.

    Raises:
        NoError: there is none, or it cannot be read.
    """
    try:
        span, names = reader.span(folder), reader.names(folder)
    except HistoryError as exc:
        raise NoError(404, str(exc)) from exc
    return {
        "from_ms": None if span is None else span[0],
        "to_ms": None if span is None else span[1],
        "names": names,
    }


def plot(
    folder: Path,
    pack: str,
    names: Sequence[str],
    *,
    from_ms: int,
    to_ms: int,
    points: int,
) -> list[dict[str, Any]]:
    """Return each value of *pack* for a plot, as `reader.series_json` tells it.

    Raises:
        NoError: there is no such value, or the history cannot be read.
    """
    try:
        every = reader.series(
            folder, pack, names, since_ms=from_ms, until_ms=to_ms, points=points
        )
    except HistoryError as exc:
        raise NoError(404, str(exc)) from exc
    except ValueError as exc:
        raise NoError(400, str(exc)) from exc
    return [reader.series_json(one) for one in every]


def records(folder: Path) -> list[dict[str, Any]]:
    """Return the newest test records, newest first; one that is damaged says so.

    Raises:
        NoError: they cannot be read.
    """
    try:
        newest = listed(folder)[: -MOST_RECORDS - 1 : -1]
    except RecordError as exc:
        raise NoError(404, str(exc)) from exc
    return [_record(path, record) for path, record in newest]


def record_html(folder: Path, name: str) -> str:
    """Return one test record as a page to read, print and sign.

    Raises:
        NoError: there is none of that name, or it cannot be read.
    """
    try:
        return html(named(folder, name))
    except RecordError as exc:
        raise NoError(404, str(exc)) from exc


def _record(path: Path, record: Record | str) -> dict[str, Any]:
    if isinstance(record, str):
        return {"name": path.stem, "trouble": record}
    return {
        "name": path.stem,
        "trouble": "",
        "ended": iso_time(record.ended_ms),
        "next_due": iso_time(record.next_due_ms),
        "verdict": record.verdict,
        "person": record.person,
        "reason": record.reason,
        "is_rehearsal": record.is_rehearsal,
        "is_whole": record.is_whole,
        "counts": {each.value: record.count(each) for each in Verdict},
    }
