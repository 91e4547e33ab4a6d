"""An unfinished proof test: saved after every step, found again by the next run."""

from __future__ import annotations

import fcntl
import json
from contextlib import contextmanager
from typing import TYPE_CHECKING

from tocsin import files
from tocsin.prove.records import Record, RecordError, as_json, from_json, store

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

FILE = "prove-unfinished.json"
LOCK = ".prove.lock"


@contextmanager
def alone(folder: Path) -> Iterator[None]:
    """Keep a second `tocsin prove` from the same folder while the context lasts.

    Raises:
        RecordError: another one is there, or the folder cannot be written.
    """
    try:
        with (folder / LOCK).open("w", encoding="utf-8") as lock:
            try:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError as exc:
                raise RecordError("another `tocsin prove` runs on this site") from exc
            yield
    except OSError as exc:
        raise RecordError(f"{folder} cannot be written: {exc.strerror}") from exc


def save(folder: Path, record: Record) -> None:
    """Keep what was done so far; a kill at any moment leaves the last one whole.

    Raises:
        RecordError: the disk does not take it.
    """
    begun = folder / f".{FILE}.new"
    try:
        store(begun, json.dumps(as_json(record)))
        begun.replace(folder / FILE)
    except OSError as exc:
        raise RecordError(f"{folder} does not take it: {exc.strerror}") from exc


def found(folder: Path) -> Record | None:
    """Return the unfinished record, or None.

    Raises:
        RecordError: there is one that cannot be read.
    """
    path = folder / FILE
    try:
        return from_json(files.parsed(path.read_text("utf-8")))
    except FileNotFoundError:
        return None
    except RecordError as exc:
        raise RecordError(f"{path}: {exc}; move it away to begin anew") from exc
    except (OSError, ValueError) as exc:
        raise RecordError(f"{path} is damaged; move it away to begin anew") from exc


def forget(folder: Path) -> None:
    """Remove what is finished.

    Raises:
        RecordError: it cannot be removed.
    """
    try:
        (folder / FILE).unlink(missing_ok=True)
    except OSError as exc:
        raise RecordError(f"{folder / FILE} stays: {exc.strerror}") from exc
