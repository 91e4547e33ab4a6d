"""What the daemon has written itself and reads again."""

from __future__ import annotations

import hashlib
import json
import math
import re
import tempfile
import zlib
from contextlib import contextmanager, suppress
from dataclasses import asdict, is_dataclass
from functools import cache
from math import sin
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tests.fuzz import mutate
from tests.fuzz.campaign import Target, WrongError
from tests.fuzz.can import memory_folder

from core_builders import CHARGE, Player, output, reading, rule, site
from site_files import loaded
from tocsin import kept, learned
from tocsin.core.rules import Role
from tocsin.history.blocks import BlockError, packed, unpacked
from tocsin.page import past
from tocsin.prove import progress
from tocsin.prove.records import (
    Record,
    RecordError,
    Result,
    Verdict,
    as_json,
    listed,
    newest,
)

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from random import Random

    from tests.fuzz.campaign import Look

    from tocsin.core.site import Site

WALL_MS = 1_780_000_000_000
NOW_MS = 5_000
SMALL = """\
[bank]
capacity_ah = 280
cells_in_series = 2
[[pack]]
name = "left"
driver = "trace"
"""

# --- what the forecast has learned --------------------------------------------------


@cache
def hut() -> Site:
    """Return a site of two cells, so that its file is small."""
    with tempfile.TemporaryDirectory() as name:
        return loaded(Path(name), SMALL).site


@cache
def memory() -> tuple[bytes, ...]:
    """Return what is learned from a few minutes, and from a quarter of an hour."""
    player, texts = Player(hut()), []
    for n in range(181):
        amps = -60.0 - 30.0 * sin(n / 40)
        cells = (round(3_280 - n / 40 + amps / 5), round(3_270 - n / 30 + amps / 5))
        player.play(
            reading(
                n * 5_000,
                *cells,
                current_ma=round(amps * 1000),
                soc_permille=500 - n // 12,
                temps_dc=(140 - n // 60, 380 + n // 60),
            )
        )
        if n in {40, 180}:
            texts.append(learned.written(player.state, hut(), wall_ms=WALL_MS))
    return tuple(text.encode() for text in texts)


def by_memory(chance: Random, data: bytes, others: Sequence[bytes]) -> bytes:
    """Spoil the head, or what is inside; in most cases under a digest that is right."""
    first, _, inside = data.partition(b"\n")
    inside = inside.removesuffix(b"\n")
    kind = chance.random()
    if kind < 0.1:
        return mutate.by_bytes(chance, data, others)
    if kind < 0.25:
        first = mutate.by_json(chance, first, [first])
    else:
        inside = mutate.by_json(chance, inside, [inside])
    if kind < 0.9:
        try:
            head = json.loads(first)
            head["sha256"] = hashlib.sha256(inside).hexdigest()
            first = mutate.dumped(head)
        except (ValueError, TypeError, RecursionError):
            pass
    return first + b"\n" + inside + b"\n"


@contextmanager
def opened_memory() -> Iterator[Look]:
    """Load the file; every number that comes back is one, and can be told again."""
    with tempfile.TemporaryDirectory(dir=memory_folder()) as name:
        folder = Path(name)

        def look(data: bytes) -> str:
            (folder / learned.FILE).write_bytes(data)
            try:
                known = learned.load(folder, hut(), wall_ms=WALL_MS + 60_000, now_s=5.0)
            except learned.LearnedError as exc:
                return str(exc)
            for tracker in known.values():
                for part in learned._PARTS:
                    if not finite(getattr(tracker, part)):
                        raise WrongError(f"{part} is {getattr(tracker, part)}"[:200])
            return ""

        yield look


def finite(value: Any) -> bool:
    """Return whether there is neither NaN nor infinity anywhere in *value*."""
    if is_dataclass(value) and not isinstance(value, type):
        return finite(asdict(value))
    if isinstance(value, dict):
        return all(map(finite, value.values()))
    if isinstance(value, list | tuple):
        return all(map(finite, value))
    if isinstance(value, int | float):
        return math.isfinite(value)
    return True


# --- what outputs have counted ------------------------------------------------------


@cache
def plant() -> Site:
    """Return a site with outputs of which everything is counted."""
    return site(
        rule(actions=(CHARGE,)),
        outputs=[output("charge", Role.CHARGE_PERMIT), output("horn", Role.HORN)],
    )


def counts_corpus() -> list[bytes]:
    """Return the file of a fresh daemon, and one with counts in it."""
    player = Player(plant())
    player.tick(1_000)
    fresh = kept.written(player.state, plant(), wall_ms=WALL_MS)
    whole = json.loads(fresh)
    inside = whole["kept"]
    for each in inside["outputs"].values():
        each.update(operations=812, run_ms=3_600_000, starts=3, locked=True)
        each.update(dict.fromkeys(kept.MOMENTS, WALL_MS - 60_000))
    inside["charge_begins_ms"] = [WALL_MS - 86_400_000, WALL_MS]
    del whole["sha256"]
    return [fresh.encode(), json.dumps(whole, indent=1).encode()]


def by_counts(chance: Random, data: bytes, others: Sequence[bytes]) -> bytes:
    """Spoil the tree; in most cases without a digest, as if a person had edited it."""
    kind = chance.random()
    if kind < 0.8:
        try:
            whole = json.loads(data)
            whole.pop("sha256", None)
            data = mutate.dumped(whole)
        except (ValueError, TypeError, AttributeError, RecursionError):
            pass
    return mutate.by_json(chance, data, others)


@contextmanager
def opened_counts() -> Iterator[Look]:
    """Load the file; what comes back can be counted on, written and read again."""
    with tempfile.TemporaryDirectory(dir=memory_folder()) as name:
        folder = Path(name)

        def look(data: bytes) -> str:
            (folder / kept.FILE).write_bytes(data)
            try:
                counts, begins_ms = kept.load(
                    folder, plant(), wall_ms=WALL_MS, now_ms=NOW_MS
                )
            except kept.KeptError as exc:
                return str(exc)
            for each in counts.values():
                for total in kept.TOTALS:
                    if not 0 <= getattr(each, total) < 10**18:
                        raise WrongError(f"{total} is {getattr(each, total)}"[:200])
                for moment in kept.MOMENTS:
                    at_ms = getattr(each, moment)
                    if at_ms is not None and not -WALL_MS <= at_ms <= NOW_MS:
                        raise WrongError(f"{moment} is {at_ms}"[:200])
            if not all(0 <= ms < 86_400_000 for ms in begins_ms):
                raise WrongError(f"charge begins at {begins_ms}"[:200])
            return ""

        yield look


# --- records of proofs --------------------------------------------------------------


def record_corpus() -> list[bytes]:
    """Return the record of a proof that passed, and of one that did not."""
    made = []
    for verdict in (Verdict.PASS, Verdict.FAIL):
        result = Result(
            item="horn by low-cell",
            kind="rule",
            output="horn",
            pin_verdict=verdict,
            effect_verdict=Verdict.PASS,
        )
        record = Record(
            site="Fern Ridge hut",
            site_file="site.toml",
            site_sha256="ab" * 32,
            software="tocsin",
            started_ms=WALL_MS - 3_600_000,
            ended_ms=WALL_MS,
            is_whole=True,
            results=[result],
        )
        made.append(json.dumps(as_json(record), ensure_ascii=False).encode())
    return made


@contextmanager
def opened_record() -> Iterator[Look]:
    """List the record as the page and the daemon do."""
    with tempfile.TemporaryDirectory(dir=memory_folder()) as name:
        folder = Path(name)
        (folder / "records").mkdir()
        path = folder / "records" / "proof-20260101-000000.json"

        def look(data: bytes) -> str:
            path.write_bytes(data)
            (folder / progress.FILE).write_bytes(data)
            ((_, record),) = listed(folder)
            with suppress(RecordError):
                progress.found(folder)
            (shown,) = past.records(folder)
            json.dumps(shown).encode()
            last = newest(folder, is_rehearsal=True)
            if isinstance(record, str):
                if last is not None or shown["trouble"] != record:
                    raise WrongError("a damaged record counts")
                return record
            if abs(record.next_due_ms) > 2**53:
                raise WrongError(f"due at {record.next_due_ms}"[:200])
            return ""

        yield look


# --- blocks of the history ----------------------------------------------------------


def block_corpus() -> list[bytes]:
    """Return blocks of columns of every width, unpacked, behind their rows."""
    made = []
    for rows in (1, 2, 60):
        columns = [
            [3_300 + n % 3 for n in range(rows)],
            [-12_500 * n for n in range(rows)],
            [10**8 * n for n in range(rows)],
            [(-1) ** n * 2**60 for n in range(rows)],
        ]
        made.append(rows.to_bytes(2) + zlib.decompress(packed(columns)))
    return made


@contextmanager
def opened_block() -> Iterator[Look]:
    """Unpack the block as the reader does; the first byte may spoil its packing."""

    def look(data: bytes) -> str:
        rows = int.from_bytes(data[:2], signed=True)
        raw = zlib.compress(data[2:], 1)
        if rows % 16 == 15:
            raw = data[2:]
        try:
            columns = unpacked(raw, rows)
        except BlockError as exc:
            return str(exc)
        for number, values in columns.items():
            if len(values) != rows:
                raise WrongError(f"{len(values)} values of {rows} in {number}")
        return ""

    yield look


TARGETS = (
    Target(
        name="learned",
        what="learned.json, mostly under a digest that is right",
        corpus=memory,
        mutated=by_memory,
        opened=opened_memory,
        says=re.compile(r"(?s)it (is|has|cannot) .+"),
    ),
    Target(
        name="counts",
        what="counts.json, mostly as a person would edit it",
        corpus=counts_corpus,
        mutated=by_counts,
        opened=opened_counts,
        says=re.compile(r"(?s)it (is|has|cannot) .+"),
    ),
    Target(
        name="proof-record",
        what="records of proof tests, listed by daemon and page",
        corpus=record_corpus,
        mutated=mutate.by_json,
        opened=opened_record,
        says=re.compile(r"(?s)(it|its) .+"),
    ),
    Target(
        name="history-block",
        what="blocks of the history's samples",
        corpus=block_corpus,
        mutated=mutate.by_bytes,
        opened=opened_block,
        says=re.compile(r"(?s).+"),
    ),
)
