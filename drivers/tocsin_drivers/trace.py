"""Driver ``trace``: a recorded trace, played as if its packs were there now.

Time is the running loop's, times ``speed``; it begins when the first pack is opened
and does not stop. A read waits for the pack's next row. A row that lacks a value is a
failed reading, rows that are missing are silence, and after the last row the pack is
lost for good.
"""

from __future__ import annotations

import asyncio
from contextlib import asynccontextmanager
from typing import TYPE_CHECKING

from tocsin.ports import DriverError
from tocsin.trace import TraceError, read_trace

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Sequence
    from pathlib import Path

    from tocsin.core.model import Sample
    from tocsin.ports import SourceSpec
    from tocsin.trace import Row

LATE_S = 2.0
"""A row that was due so long ago is not what the pack says now."""


class _Playing:
    """One file at one speed: when it began, for all packs that are played from it."""

    def __init__(self, path: Path, speed: float) -> None:
        self.path = path
        self._speed = speed
        self._begun_s: float | None = None
        self._first_ms = 0

    def begin(self) -> None:
        """Let the file's time begin, with its first row, if it has not.

        Raises:
            DriverError: the first row cannot be read.
        """
        if self._begun_s is not None:
            return
        try:
            row = next(read_trace(self.path), None)
        except TraceError as exc:
            raise DriverError(str(exc)) from exc
        if row is None:
            raise DriverError(f"{self.path} holds no rows")
        self._first_ms = row.at_ms
        self._begun_s = asyncio.get_running_loop().time()

    def due_s(self, at_ms: int) -> float:
        """Return how long until a row of *at_ms*; negative where it has passed."""
        now_s = asyncio.get_running_loop().time()
        passed_s = now_s - (now_s if self._begun_s is None else self._begun_s)
        return (at_ms - self._first_ms) / 1000 / self._speed - passed_s


class PlayedPack:
    """The rows of one pack, in their time. It goes on where it was when reopened."""

    def __init__(self, name: str, playing: _Playing) -> None:
        self._name = name
        self._playing = playing
        self._rows = read_trace(playing.path)
        self._ahead: Row | None = None
        self._over = ""

    async def read(self) -> Sample:
        """Return the newest row that has just come due, or wait for the next one.

        Raises:
            DriverError: that row lacks a value, the recording has ended, or it cannot
                be read.
        """
        self._playing.begin()
        row = await self._due()
        if row.sample is None:
            raise DriverError(f"{self._playing.path}: {row.missing}")
        return row.sample

    async def _due(self) -> Row:
        while True:
            row = self._look()
            if (wait_s := self._playing.due_s(row.at_ms)) > 0:
                await asyncio.sleep(wait_s)
            self._ahead = None
            if self._playing.due_s(row.at_ms) > -LATE_S and not self._is_due():
                return row

    def _is_due(self) -> bool:
        """Return whether a newer row is due already."""
        try:
            return self._playing.due_s(self._look().at_ms) <= 0
        except DriverError:
            return False  # there is none; the next read says why

    def _look(self) -> Row:
        """Return the row that comes next, without taking it."""
        while self._ahead is None:
            if self._over:
                raise DriverError(self._over)
            try:
                row = next(self._rows, None)
            except TraceError as exc:
                self._over = str(exc)
            else:
                if row is None:
                    self._over = f"{self._playing.path} has ended"
                elif row.pack == self._name:
                    self._ahead = row
        return self._ahead


class TraceSources:
    """Packs by name; those of one file share its time."""

    def __init__(self, specs: Sequence[SourceSpec]) -> None:
        playing: dict[tuple[Path, float], _Playing] = {}
        self._packs: dict[str, PlayedPack] = {}
        for spec in specs:
            key = spec.options["file"], spec.options.get("speed", 1.0)
            self._packs[spec.name] = PlayedPack(
                spec.name, playing.setdefault(key, _Playing(*key))
            )

    @asynccontextmanager
    async def open(self, name: str) -> AsyncIterator[PlayedPack]:
        """Return the pack called *name*; see `tocsin.ports.Sources.open`."""
        yield self._packs[name]


def build(specs: Sequence[SourceSpec]) -> TraceSources:
    """Return packs played from ``options["file"]`` at ``options["speed"]``.

    Raises:
        DriverError: a pack without a file exists in recordings only.
    """
    for spec in specs:
        if spec.is_only_recorded:
            raise DriverError(
                f"pack {spec.name} exists in recordings only: give it a file to play, "
                "another driver, or use `tocsin replay`"
            )
    return TraceSources(specs)
