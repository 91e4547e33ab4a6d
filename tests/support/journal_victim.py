"""A process that journals without pause and prints each row it was told is durable.

Used as ``python journal_victim.py FOLDER RUN [--early]``. With ``--early`` its journal
is broken on purpose: it reports rows before they are committed.
"""

from __future__ import annotations

import asyncio
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from journal_stage import Stamps
from tocsin.core.events import Fact, NoteFact
from tocsin.journal import Journal, writer
from tocsin.journal.store import Store

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tocsin.journal.rows import Values


class EarlyStore(Store):
    """Says that rows are stored when it has only taken note of them."""

    _late: Sequence[Values] = ()

    def append(self, rows: Sequence[Values], *, is_retry: bool = False) -> None:
        late, self._late = self._late, rows
        super().append(late, is_retry=is_retry)


def say(facts: Sequence[Fact], is_durable: bool) -> None:  # noqa: FBT001
    told = (fact.text for fact in facts if is_durable and isinstance(fact, NoteFact))
    sys.stdout.write("".join(f"{text}\n" for text in told))
    sys.stdout.flush()


def print_trouble(reason: str) -> None:
    print(reason, file=sys.stderr)


async def work(folder: Path, run: str) -> None:
    number = 0
    async with Journal(
        folder, stamps=Stamps(), on_written=say, on_trouble=print_trouble
    ) as journal:
        while True:
            for _ in range(3):
                number += 1
                text = f"{run}/{number}"
                journal.tell([NoteFact(at_ms=number, what="test", text=text)])
            await asyncio.sleep(0.001)


if __name__ == "__main__":
    if sys.argv[3:] == ["--early"]:
        setattr(writer, "Store", EarlyStore)  # noqa: B010 it is not meant to be set
    asyncio.run(work(Path(sys.argv[1]), sys.argv[2]))
