"""Entry point: every frame on the buses of some packs, to a log."""

from __future__ import annotations

import asyncio
import re
from contextlib import asynccontextmanager
from functools import partial
from typing import TYPE_CHECKING

from tocsin.ports import CanLine, DriverError
from tocsin_drivers.can.buses import LogWriter
from tocsin_drivers.can.link import link_of

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Mapping, Sequence
    from contextlib import AbstractAsyncContextManager
    from pathlib import Path

    from tocsin.ports import BusLog, SourceSpec
    from tocsin_drivers.can.buses import Message
    from tocsin_drivers.can.link import Link

SHARED = frozenset({"socketcan"})
"""Interfaces that several programs can hear at the same time."""

GLANCE_S = 0.2
"""A bus is looked after so often."""


def build_log(
    specs: Sequence[SourceSpec], path: Path, *, is_watched: bool
) -> AbstractAsyncContextManager[BusLog]:
    """Return a log of the buses of *specs*; see `tocsin.ports.BuildBusLog`."""
    return _log(specs, path, is_watched=is_watched)


@asynccontextmanager
async def _log(
    specs: Sequence[SourceSpec], path: Path, *, is_watched: bool
) -> AsyncIterator[CanLog]:
    links = {link_of(spec): spec.line for spec in specs}
    for link, line in links.items():
        if is_watched and isinstance(line, CanLine) and line.interface not in SHARED:
            raise DriverError(
                f"{link} is open in the daemon that serves this site, and cannot be "
                "heard twice; stop the daemon first"
            )
    names = {link: _name(line) for link, line in links.items()}
    writer = LogWriter(path)
    log = CanLog(writer, names)
    try:
        yield log
    finally:
        writer.close()


def _name(line: object) -> str:
    """Return what a bus is called in a log: its channel, in one word."""
    channel = line.channel if isinstance(line, CanLine) else ""
    return re.sub(r"[^A-Za-z0-9_.]+", "-", channel).strip("-") or "can"


class CanLog:
    """A log being written; see `tocsin.ports.BusLog`."""

    def __init__(self, writer: LogWriter, names: Mapping[Link, str]) -> None:
        self.frames = 0
        self._writer = writer
        self._troubles = dict.fromkeys(names, "")
        self._has_opened = False
        self._failure: OSError | None = None
        for link, name in names.items():
            link.tap(partial(self._take, name))

    @property
    def trouble(self) -> str:
        """Return what is wrong with a bus now; empty for nothing."""
        return "; ".join(trouble for trouble in self._troubles.values() if trouble)

    def _take(self, name: str, message: Message) -> None:
        """Write what was heard; called while the bus is drained, so raises nothing."""
        if self._failure is not None:
            return
        try:
            self._writer.write(message, name)
            self.frames += 1
        except OSError as exc:
            self._failure = exc

    async def run(self) -> None:
        """Keep every bus open until cancelled; see `tocsin.ports.BusLog`."""
        async with asyncio.TaskGroup() as group:
            for link in self._troubles:
                group.create_task(self._keep(link), name=f"log:{link}")

    async def _keep(self, link: Link) -> None:
        while True:
            try:
                async with link.join():
                    self._has_opened = True
                    while True:
                        link.check()
                        self._troubles[link] = ""
                        if self._failure is not None:
                            raise self._failure
                        await asyncio.sleep(GLANCE_S)
            except DriverError as exc:
                self._troubles[link] = str(exc)
                if not self._has_opened and all(self._troubles.values()):
                    raise
                await asyncio.sleep(GLANCE_S)
