"""What records: the sources themselves, or what a running daemon reads from them."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING, Any

from tocsin import control
from tocsin.core.events import Reading, ReadingFailed
from tocsin.core.model import Sample
from tocsin.record.merged import Merged
from tocsin.shell import listen

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from tocsin.clock import Clock
    from tocsin.core.site import Site
    from tocsin.record.tape import Tape
    from tocsin.shell import Open, Unstamped

SNAPSHOT_MS = 1_000
"""A running daemon is asked so often."""


class RecordError(Exception):
    """Nothing can be recorded; the text says why, pack by pack."""


@dataclass(slots=True)
class Recording:
    """How far a recording has come.

    Attributes:
        tape: Where readings go; None where only a bus is logged.
        packs: The packs that are recorded, with what is wrong with each now; empty
            for nothing, None before its first word.
        rows: Of each pack, how many were written.
        without_cells: Packs that say no single cells.
        beside: Sources beside the packs' own, with what is wrong with each now. What
            they lend is written with the packs.
    """

    tape: Tape | None
    packs: dict[str, str | None]
    rows: dict[str, int] = field(default_factory=dict)
    without_cells: set[str] = field(default_factory=set)
    beside: dict[str, str] = field(default_factory=dict)

    def take(self, at_ms: int, pack: str, sample: Sample) -> None:
        """Write what *pack* said."""
        if self.tape is not None:
            self.tape.write(at_ms, pack, sample)
        self.packs[pack] = ""
        self.rows[pack] = self.rows.get(pack, 0) + 1
        if not sample.cells_mv:
            self.without_cells.add(pack)

    def fail(self, pack: str, reason: str) -> None:
        """Note that *pack* said nothing; with the last one to fail so, give up.

        Raises:
            RecordError: no pack has ever answered.
        """
        if pack in self.beside:
            self.beside[pack] = reason
            return
        self.packs[pack] = reason
        if not self.rows and all(self.packs.values()):
            raise RecordError("; ".join(f"{n}: {why}" for n, why in self.packs.items()))


async def record(
    recording: Recording,
    sources: Mapping[str, Open],
    *,
    clock: Clock,
    poll_ms: int,
    site: Site | None = None,
) -> None:
    """Record *sources* until cancelled, merged as those of *site* if it is given.

    Raises:
        RecordError: no pack answers.
        OSError: the tape cannot be written.
    """
    merged = None if site is None or not site.extras else Merged(site)
    put = partial(_put, recording, clock, merged)
    async with asyncio.TaskGroup() as group:
        for name, opened in sources.items():
            asking = listen(name, opened, clock=clock, poll_ms=poll_ms, put=put)
            group.create_task(asking, name=f"source:{name}")


async def _put(
    recording: Recording, clock: Clock, merged: Merged | None, stamp: Unstamped
) -> None:
    event = stamp(at_ms=clock.now_ms())
    if isinstance(event, Reading):
        known: Sample | str = event.sample
        if merged is not None:
            known = merged.take(event.at_ms, event.pack, event.sample)
        if isinstance(known, Sample):
            recording.take(event.at_ms, event.pack, known)
        else:
            recording.beside[event.pack] = known
    elif isinstance(event, ReadingFailed):
        recording.fail(event.pack, event.reason)


async def overhear(recording: Recording, path: Path, *, clock: Clock) -> None:
    """Record what the daemon that listens on *path* reads, until cancelled.

    Every reading is written once, with the daemon's own time. What comes between two
    snapshots is not seen.

    Raises:
        OSError: the tape cannot be written.
    """
    heard: dict[str, float] = {}
    while True:
        next_ms = clock.now_ms() + SNAPSHOT_MS
        try:
            said = await asyncio.to_thread(control.ask, path, {"do": "show"})
        except control.ControlError as exc:
            said = {"why": str(exc)}
        if said.get("ok"):
            _take_shown(recording, said["show"]["packs"], heard)
        else:
            for name in recording.packs:
                recording.packs[name] = str(said.get("why", "no answer"))
        await clock.sleep_until(next_ms)


def _take_shown(
    recording: Recording, packs: list[dict[str, Any]], heard: dict[str, float]
) -> None:
    """Write what is new in a snapshot, in the order in which it was read."""
    for shown in sorted(packs, key=lambda pack: pack["heard_s"] or 0.0):
        name, heard_s = shown["name"], shown["heard_s"]
        if name not in recording.packs:
            continue
        if heard_s is not None and heard.get(name) != heard_s:
            heard[name] = heard_s
            recording.take(round(heard_s * 1000), name, _sample(shown))
        if shown["trouble"]:
            recording.packs[name] = shown["trouble"]


def _sample(shown: Mapping[str, Any]) -> Sample:
    return Sample(
        cells_mv=tuple(round(volts * 1000) for volts in shown["cells_v"]),
        temps_dc=tuple(round(temp_c * 10) for temp_c in shown["temps_c"]),
        current_ma=_scaled(shown["current_a"], 1000),
        soc_permille=_scaled(shown["soc_pct"], 10),
    )


def _scaled(value: float | None, factor: int) -> int | None:
    return None if value is None else round(value * factor)
