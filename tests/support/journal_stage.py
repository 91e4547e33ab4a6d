"""A journal with ears on it."""

from __future__ import annotations

import asyncio
import json
import os
import uuid
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from tocsin.core.events import AlarmFact, Fact, NoteFact
from tocsin.core.rules import Priority, Unit
from tocsin.journal import Journal, read

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path


@dataclass
class Stamps:
    boot_id: str = "boot"
    run_id: str = field(default_factory=lambda: uuid.uuid4().hex)
    wall: int = 1_700_000_000_000

    def wall_ms(self) -> int:
        return self.wall


@dataclass
class Ears:
    """What the journal told, in order."""

    written: list[tuple[Fact, bool]] = field(default_factory=list)
    troubles: list[str] = field(default_factory=list)

    def on_written(self, facts: Sequence[Fact], is_durable: bool) -> None:  # noqa: FBT001
        self.written += [(fact, is_durable) for fact in facts]

    @property
    def durable(self) -> list[Fact]:
        return [fact for fact, is_durable in self.written if is_durable]

    def durable_has(self, fact: Fact) -> bool:
        return fact in self.durable


def note(number: int) -> NoteFact:
    return NoteFact(at_ms=number, what="test", text=f"row {number}")


def alarm(number: int) -> AlarmFact:
    return AlarmFact(
        at_ms=number,
        alarm="low-cell",
        subject="right/11",
        priority=Priority.HIGH,
        state="unacknowledged",
        was="normal",
        value=2_950,
        unit=Unit.MV,
        message=f"alarm {number}",
    )


def journal(folder: Path, ears: Ears, **changes: Any) -> Journal:
    values: dict[str, Any] = {"stamps": Stamps(), "retry_s": 0.02}
    return Journal(
        folder,
        on_written=ears.on_written,
        on_trouble=ears.troubles.append,
        **(values | changes),
    )


async def until(done: Callable[[], bool], *, within_s: float = 20.0) -> None:
    """Wait until *done* returns True."""
    async with asyncio.timeout(within_s):
        while not done():  # noqa: ASYNC110 it looks at another thread's work
            await asyncio.sleep(0.005)


async def heard(ears: Ears, count: int) -> None:
    """Wait until *count* facts were passed on."""
    await until(lambda: len(ears.written) >= count)


def kept(folder: Path) -> list[int]:
    """Return the numbers of the test's own rows."""
    return [row.at_ms for row in read(folder) if row.subject == "test"]


def notes(folder: Path, what: str) -> list[str]:
    return [
        json.loads(row.detail)["text"] for row in read(folder) if row.subject == what
    ]


@contextmanager
def as_nobody() -> Iterator[None]:
    """Give up root's right to write everywhere, for a while."""
    was = os.geteuid()
    if was == 0:
        os.seteuid(65_534)
    try:
        yield
    finally:
        os.seteuid(was)
