"""A journal with ears on it, and a process that reports each durable row."""

from __future__ import annotations

import asyncio
import sys
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tocsin.core.events import AlarmFact, Fact, NoteFact
from tocsin.core.rules import Priority, Unit
from tocsin.journal import Journal, read

if TYPE_CHECKING:
    from collections.abc import Sequence


@dataclass
class Stamps:
    boot_id: str = "boot"
    run_id: str = "run"
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


async def until(done: Any, *, within_s: float = 20.0) -> None:
    """Wait until *done* returns True."""
    async with asyncio.timeout(within_s):
        while not done():  # noqa: ASYNC110 it looks at another thread's work
            await asyncio.sleep(0.005)


def texts(folder: Path) -> list[str]:
    """Return what the rows of tests say, in order."""
    return [row.detail for row in read(folder)]


async def report(folder: Path, *, is_early: bool) -> None:
    """Tell rows for ever and print each; *is_early* prints before it is durable."""

    def say(facts: Sequence[Fact], is_durable: bool) -> None:  # noqa: FBT001
        if is_durable and not is_early:
            for fact in facts:
                print(fact.at_ms, flush=True)

    number = 0
    async with Journal(
        folder, stamps=Stamps(), on_written=say, on_trouble=lambda _: None
    ) as writing:
        while True:
            number += 1
            writing.tell([note(number)])
            if is_early:
                print(number, flush=True)
            await asyncio.sleep(0)


if __name__ == "__main__":
    asyncio.run(report(Path(sys.argv[1]), is_early=sys.argv[2] == "early"))
