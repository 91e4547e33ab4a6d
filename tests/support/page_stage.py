"""The daemon as a process of its own, on a served bank, with its page on a port."""

from __future__ import annotations

import asyncio
import http.client
import json
import signal
import subprocess
import sys
import threading
import time
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from broker import free_port
from tocsin.clock import stopwatch_s
from whole_stage import NO_PAGE, SITE, Whole, served

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

PATIENCE_S = 60.0
TOKEN = "a-token-for-tests-only"
PAGE = """\
[page]
port = {port}
token_file = "token"
"""
FAST = """\
[history]
batch_s = 1
[timing]
poll_s = 0.5
"""


@dataclass
class Served:
    """A bank, and the daemon on it.

    Attributes:
        whole: Write to its readings to make things happen.
    """

    folder: Path
    whole: Whole
    port: int
    process: subprocess.Popen[bytes] = field(init=False)

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def ask(
        self,
        method: str,
        path: str,
        body: object = None,
        **headers: str,
    ) -> tuple[int, dict[str, str], Any]:
        """Return status, headers (lower case) and the JSON that came back."""
        line = http.client.HTTPConnection("127.0.0.1", self.port, timeout=20)
        try:
            raw = None if body is None else json.dumps(body).encode()
            told = {name.replace("_", "-"): text for name, text in headers.items()}
            if raw is not None:
                told.setdefault("Content-Type", "application/json")
            line.request(method, path, raw, told)
            answer = line.getresponse()
            text = answer.read()
            kind = answer.getheader("Content-Type", "")
            value = json.loads(text) if kind == "application/json" else text
            return (
                answer.status,
                {k.lower(): v for k, v in answer.getheaders()},
                value,
            )
        finally:
            line.close()

    def signed_in(self) -> dict[str, str]:
        """Return the headers of a session."""
        status, headers, told = self.ask("POST", "/api/sign-in", {"token": TOKEN})
        assert status == 200, told
        cookie = headers["set-cookie"].partition(";")[0]
        return {"Cookie": cookie, "X_Tocsin_Key": told["key"]}

    def wait(self, path: str, done: Any) -> Any:
        """Ask until *done* says yes, and return what it said it to."""
        ends = stopwatch_s() + PATIENCE_S
        told: Any = None
        while stopwatch_s() < ends:
            with suppress(OSError, http.client.HTTPException):
                status, _, told = self.ask("GET", path)
                if status == 200 and done(told):
                    return told
            assert self.process.poll() is None, "the daemon has ended"
            time.sleep(0.1)
        raise AssertionError(f"not in time: {told}")

    def online(self) -> Any:
        """Wait until every pack is heard and charging is allowed."""
        return self.wait(
            "/api/now",
            lambda now: (
                all(p["online"] for p in now["packs"])
                and all(o["energised"] for o in now["outputs"] if "permit" in o["role"])
            ),
        )


@contextmanager
def bank(folder: Path) -> Iterator[Whole]:
    """Serve two packs from a thread of its own."""
    ready, ended = threading.Event(), threading.Event()
    found: list[Whole] = []
    loops: list[tuple[asyncio.AbstractEventLoop, asyncio.Event]] = []

    async def serve() -> None:
        leaving = asyncio.Event()
        loops.append((asyncio.get_running_loop(), leaving))
        async with served(folder) as whole:
            found.append(whole)
            ready.set()
            await leaving.wait()

    def run() -> None:
        try:
            asyncio.run(serve())
        finally:
            ready.set()
            ended.set()

    thread = threading.Thread(target=run, name="bank")
    thread.start()
    try:
        assert ready.wait(PATIENCE_S)
        assert found, "the bank could not be served"
        yield found[0]
    finally:
        loop, leaving = loops[0]
        if not ended.is_set():
            loop.call_soon_threadsafe(leaving.set)
        thread.join(PATIENCE_S)


def site_file(whole: Whole, folder: Path, page: str, more: str = FAST) -> Path:
    """Write the site file of what is served."""
    packs = "".join(
        f'[[pack]]\nname = "{name}"\ndriver = "sunspec"\nhost = "127.0.0.1"\n'
        f"port = {whole.bus.port}\nunit = {unit}\n"
        for unit, name in enumerate(whole.devices, start=1)
    )
    (folder / "token").write_text(TOKEN + "\n")
    (folder / "token").chmod(0o600)
    path = folder / "site.toml"
    path.write_text(
        SITE.replace(NO_PAGE, page).format(folder=folder / "journal") + packs + more
    )
    return path


@contextmanager
def daemon(folder: Path, more: str = "", page: str = PAGE) -> Iterator[Served]:
    """Run the daemon on a served bank; *more* stands at the end of its site file."""
    with bank(folder) as whole:
        stage = Served(folder, whole, free_port())
        site = site_file(whole, folder, page.format(port=stage.port), FAST + more)
        log = (folder / "daemon.log").open("wb")
        with log:
            stage.process = subprocess.Popen(
                [sys.executable, "-m", "tocsin", "run", "--quiet", str(site)],
                stderr=log,
            )
        try:
            yield stage
        finally:
            for number in (signal.SIGCONT, signal.SIGTERM):
                with suppress(ProcessLookupError):
                    stage.process.send_signal(number)
            try:
                stage.process.wait(10)
            except subprocess.TimeoutExpired:
                stage.process.kill()
                stage.process.wait()
