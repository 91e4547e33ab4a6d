"""A running daemon on simulated pins, and a scripted person at a terminal."""

from __future__ import annotations

import asyncio
import json
import os
import pty
import re
import signal
import sys
from asyncio.subprocess import PIPE, Process
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass, field
from html.parser import HTMLParser
from typing import TYPE_CHECKING, Any

from tocsin import control
from tocsin.prove import records
from tocsin_drivers.simbus.server import HOST
from whole_stage import Whole, served

if TYPE_CHECKING:
    from collections.abc import AsyncIterator
    from pathlib import Path

PATIENCE_S = 40.0

SITE = """\
[site]
name = "Fern Ridge hut"
[bank]
chemistry = "lfp"
capacity_ah = 280
cells_in_series = 16
[timing]
poll_s = 0.2
stale_s = 1.5
good_scans = 2
shed_settle_s = 0.2
restore_gap_s = 0.2
[[output]]
name = "charge"
role = "charge-permit"
min_off_s = 0
pin = "GPIO17"
[[output]]
name = "lights"
role = "load-permit"
stage = 1
hold_s = 1
min_off_s = 0
pin = "GPIO27"
[[output]]
name = "horn"
role = "horn"
rules = ["low-cell", "hot-charge"]
pin = "GPIO22"
[[rule]]
name = "high-cell"
on_delay_s = 0.4
[[rule]]
name = "hot-charge"
on_delay_s = 0.3
[[rule]]
name = "low-cell"
on_delay_s = 5
[gpio]
pins = "simulated"
[page]
enabled = false
[journal]
folder = "{folder}"
"""


@dataclass
class Stage:
    """What is served, the site file on it, and the daemon."""

    whole: Whole
    site: Path
    process: Process | None = None

    @property
    def folder(self) -> Path:
        return self.whole.folder / "journal"

    async def start(self) -> None:
        """Start the daemon and wait until every permit is there."""
        self.process = await asyncio.create_subprocess_exec(
            *(sys.executable, "-m", "tocsin", "run", "--quiet", str(self.site))
        )
        await self.until(lambda s: all(o["energised"] for o in s["outputs"][:2]))

    async def kill(self, number: int = signal.SIGKILL) -> None:
        assert self.process is not None
        with suppress(ProcessLookupError):
            self.process.send_signal(number)
        await self.process.wait()

    async def show(self) -> dict[str, Any]:
        """Return what the daemon shows; an empty object while there is none."""
        path = control.socket_path(self.folder)
        try:
            said = await asyncio.to_thread(control.ask, path, {"do": "show"})
        except control.ControlError:
            return {}
        shown: dict[str, Any] = said.get("show", {})
        return shown

    async def until(self, is_so: Any) -> dict[str, Any]:
        async with asyncio.timeout(PATIENCE_S):
            while True:
                seen = await self.show()
                if seen and is_so(seen):
                    return seen
                await asyncio.sleep(0.05)

    def records(self) -> list[dict[str, Any]]:
        """Return every record, oldest first; the page beside each is sound HTML."""
        found = []
        for path, _ in records.listed(self.folder):
            strictly_parsed(path.with_suffix(".html").read_text("utf-8"))
            found.append(json.loads(path.read_text("utf-8")))
        return found

    async def prove(self, *words: str) -> tuple[int, str]:
        """Run it without a terminal and return exit code and output."""
        process = await asyncio.create_subprocess_exec(
            *(sys.executable, "-m", "tocsin", "prove", str(self.site), *words),
            stdin=asyncio.subprocess.DEVNULL,
            stdout=PIPE,
            stderr=asyncio.subprocess.STDOUT,
        )
        out, _ = await process.communicate()
        assert process.returncode is not None
        return process.returncode, out.decode()


@asynccontextmanager
async def stage(folder: Path) -> AsyncIterator[Stage]:
    """Serve two packs and run the daemon on them."""
    async with served(folder) as whole:
        site = folder / "site.toml"
        packs = "".join(
            f'[[pack]]\nname = "{name}"\ndriver = "sunspec"\nhost = "{HOST}"\n'
            f"port = {whole.bus.port}\nunit = {unit}\ntimeout_s = 0.5\nretries = 0\n"
            for unit, name in enumerate(whole.devices, start=1)
        )
        site.write_text(SITE.format(folder=folder / "journal") + packs)
        made = Stage(whole, site)
        try:
            await made.start()
            yield made
        finally:
            await made.kill(signal.SIGTERM)


@dataclass
class Warden:
    """A person at a pseudo-terminal: waits for words, types lines."""

    process: Process
    master: int
    heard: str = ""
    at: int = 0
    done: asyncio.Event = field(default_factory=asyncio.Event)

    def listen(self) -> None:
        try:
            piece = os.read(self.master, 65_536)
        except OSError:
            piece = b""
        if not piece:
            asyncio.get_running_loop().remove_reader(self.master)
            self.done.set()
        self.heard += piece.decode(errors="replace")

    async def expect(self, words: str) -> None:
        """Wait until *words*, a pattern, come after what was expected last."""
        try:
            async with asyncio.timeout(PATIENCE_S):
                while (found := re.search(words, self.heard[self.at :])) is None:
                    assert not self.done.is_set(), f"{words!r} not in:\n{self.heard}"
                    await asyncio.sleep(0.02)
        except TimeoutError as exc:
            raise AssertionError(f"{words!r} not in:\n{self.heard}") from exc
        self.at += found.end()

    async def answer(self, words: str, line: str) -> None:
        await self.expect(words)
        self.type(line + "\n")

    def type(self, text: str) -> None:
        os.write(self.master, text.encode())

    async def leaves(self) -> int:
        async with asyncio.timeout(PATIENCE_S):
            await self.process.wait()
            await self.done.wait()
        assert self.process.returncode is not None
        return self.process.returncode


@asynccontextmanager
async def warden(on: Stage, *words: str) -> AsyncIterator[Warden]:
    """Run ``tocsin prove`` on a terminal of 60 columns, as on a phone."""
    master, slave = pty.openpty()
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-m", "tocsin", "prove", str(on.site), *words),
        stdin=slave,
        stdout=slave,
        stderr=slave,
        start_new_session=True,
        env=os.environ | {"COLUMNS": "60", "TERM": "xterm"},
    )
    os.close(slave)
    person = Warden(process, master)
    loop = asyncio.get_running_loop()
    loop.add_reader(master, person.listen)
    try:
        yield person
    finally:
        with suppress(ProcessLookupError):
            process.kill()
        await process.wait()
        loop.remove_reader(master)
        os.close(master)


VOID = frozenset({"meta"})
MAY_STAY_OPEN = frozenset({"tr", "td", "th", "thead", "tbody", "li"})
"""HTML lets these end by themselves (WHATWG HTML, 13.1.2.4 Optional tags)."""


class Strict(HTMLParser):
    """Raises where a tag is closed that is not open, or stays open that may not."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: Any) -> None:
        for name, value in attrs:
            assert name not in {"src", "href"}, f"{tag} needs {value}"
        if tag not in VOID | {"br"}:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        while self.open and self.open[-1] != tag and self.open[-1] in MAY_STAY_OPEN:
            self.open.pop()
        assert self.open, f"{tag} is closed, and nothing is open"
        assert self.open.pop() == tag, f"{tag} is closed out of turn"

    def handle_data(self, data: str) -> None:
        self.text += data


def strictly_parsed(page: str) -> str:
    """Return the text of a page whose tags are all in order and needs no other file."""
    parser = Strict()
    parser.feed(page)
    parser.close()
    assert parser.open == [], parser.open
    assert page.startswith("<!DOCTYPE html>")
    return parser.text
