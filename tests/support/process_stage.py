"""The daemon as a process of its own, watched as a service manager watches it."""

from __future__ import annotations

import asyncio
import json
import os
import signal
import socket
import sys
from asyncio.subprocess import PIPE, Process
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from tocsin_drivers.simbus.server import HOST
from whole_stage import SITE, Whole

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable, Sequence
    from pathlib import Path

STOPS_WITHIN_S = 5.0
"""What `tocsin run --help` promises."""

PATIENCE_S = 30.0
"""How long a loaded machine may take over what has no promise."""

NOTIFIED = (b"READY=1", b"WATCHDOG=1", b"STOPPING=1")


def site_file(whole: Whole, *, pack: str = "", more: str = "") -> Path:
    """Write the site file of what is served; *pack* goes into the pack `left`."""
    path = whole.folder / "site.toml"
    packs = "".join(
        f'[[pack]]\nname = "{name}"\ndriver = "sunspec"\nhost = "{HOST}"\n'
        f"port = {whole.bus.port}\nunit = {unit}\n{pack if unit == 1 else ''}\n"
        for unit, name in enumerate(whole.devices, start=1)
    )
    path.write_text(SITE.format(folder=whole.folder / "journal") + packs + more)
    return path


@dataclass
class Manager:
    """What the service manager hears, and the process it started."""

    line: socket.socket
    process: Process

    async def hears(self, word: bytes) -> None:
        """Wait until the daemon says *word*, and hold every word to the protocol."""
        loop = asyncio.get_running_loop()
        async with asyncio.timeout(PATIENCE_S):
            while True:
                said = await loop.sock_recv(self.line, 4_096)
                assert said.startswith(NOTIFIED), said
                if said.startswith(word):
                    return

    async def stop(self, number: int = signal.SIGTERM) -> tuple[int, str]:
        """Send the signal; return the exit code and what was written."""
        self.process.send_signal(number)
        async with asyncio.timeout(STOPS_WITHIN_S):
            _, written = await self.process.communicate()
        assert self.process.returncode is not None
        return self.process.returncode, written.decode()


@asynccontextmanager
async def running(
    site: Path,
    program: Sequence[str] = ("-m", "tocsin", "run"),
    *,
    watchdog_s: float = 2.0,
) -> AsyncIterator[Manager]:
    """Run the daemon, with a watchdog that wants to hear of it so often."""
    path = str(site.parent / "notify")
    with suppress(FileNotFoundError):  # of a daemon that ran here before
        os.unlink(path)  # noqa: PTH108 pathlib is for other threads than a loop's
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as line:
        line.bind(path)
        line.setblocking(False)
        watchdog_us = round(watchdog_s * 1_000_000)
        told = {"NOTIFY_SOCKET": path, "WATCHDOG_USEC": str(watchdog_us)}
        process = await asyncio.create_subprocess_exec(
            *(sys.executable, *program, str(site)),
            env=os.environ | told,
            stderr=PIPE,
        )
        try:
            yield Manager(line, process)
        finally:
            with suppress(ProcessLookupError):
                process.kill()
            await process.communicate()


async def tocsin(*words: str | Path) -> tuple[int, str, str]:
    """Return exit code, output and errors of another command."""
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-m", "tocsin", *map(str, words)), stdout=PIPE, stderr=PIPE
    )
    out, err = await process.communicate()
    assert process.returncode is not None
    return process.returncode, out.decode(), err.decode()


async def shown(site: Path, done: Callable[[dict[str, Any]], object]) -> dict[str, Any]:
    """Return what the daemon shows once it is *done*."""
    async with asyncio.timeout(PATIENCE_S):
        while True:
            code, out, err = await tocsin("show", site, "--json")
            if code == 0:
                seen: dict[str, Any] = json.loads(out)
                if done(seen):
                    return seen
            else:
                assert "nothing seen yet" in err, err


def all_online(seen: dict[str, Any]) -> bool:
    return all(pack["online"] for pack in seen["packs"])


def states(seen: dict[str, Any], subject: str) -> set[str]:
    return {a["state"] for a in seen["alarms"] if a["subject"] == subject}
