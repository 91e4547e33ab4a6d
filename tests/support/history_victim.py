"""A process that keeps a journal and a history, and says what of both is on the disk.

Used as ``python history_victim.py FOLDER [--full]``. Sample and row number N go in
together; ``row N`` and ``kept N`` on standard output mean that all up to N are on the
disk. With ``--full`` the disk takes nothing in every other tenth of a second: the
process may not write into files then (RLIMIT_FSIZE of 0).
"""

from __future__ import annotations

import asyncio
import resource
import sys
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from history_stage import site
from journal_stage import Stamps
from tocsin.clock import wall_ms
from tocsin.core.engine import step
from tocsin.core.events import Fact, NoteFact, Tick
from tocsin.core.model import Sample
from tocsin.core.state import fresh
from tocsin.history import History
from tocsin.journal import Journal
from tocsin.ports import HistorySpec

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

BATCH_MS = 50
EVERY_S = 0.002
TURN_S = 0.1


def say(text: str) -> None:
    with suppress(OSError):
        sys.stdout.write(f"{text}\n")
        sys.stdout.flush()


def rows(facts: Sequence[Fact], is_durable: bool) -> None:  # noqa: FBT001
    for fact in facts:
        if is_durable and isinstance(fact, NoteFact) and fact.what == "test":
            say(f"row {fact.at_ms}")


def tell_batches(history: History) -> None:
    """Have each batch that is on the disk said, by its largest number."""
    keeper: Any = history._writer._keeper
    keep: Callable[[Any], None] = keeper.keep

    def told(heard: Any) -> None:
        keep(heard)
        if heard:
            say(f"kept {max(h.sample.current_ma for h in heard)}")

    keeper.keep = told


async def turn_full() -> None:
    _, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    while True:
        for soft in (0, hard):
            await asyncio.sleep(TURN_S)
            resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


async def work(folder: Path, *, is_full: bool) -> None:
    made = site(folder, cells=1)
    outcome = step(fresh(made, now_ms=0), Tick(at_ms=0), made)
    history = History(
        folder,
        site=made,
        sha256="",
        spec=HistorySpec(batch_ms=BATCH_MS, reserve_mb=0),
        wall_ms=wall_ms,
        on_trouble=lambda reason: say(f"trouble {reason}"),
    )
    tell_batches(history)
    journal = Journal(
        folder,
        stamps=Stamps(),
        on_written=rows,
        on_trouble=lambda _: None,
        retry_s=0.02,
    )
    async with history, journal:
        turning = asyncio.ensure_future(turn_full()) if is_full else None
        number = 0
        while turning is None or not turning.done():
            number += 1
            journal.tell([NoteFact(at_ms=number, what="test", text="")])
            sample = Sample(cells_mv=(3_300,), current_ma=number)
            packs = (replace(outcome.state.packs[0], sample=sample, heard_ms=number),)
            state = replace(outcome.state, packs=packs, now_ms=number)
            history.stepped(replace(outcome, state=state))
            await asyncio.sleep(EVERY_S)


if __name__ == "__main__":
    asyncio.run(work(Path(sys.argv[1]), is_full=sys.argv[2:] == ["--full"]))
