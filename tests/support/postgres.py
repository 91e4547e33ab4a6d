"""A real PostgreSQL in a folder of its own, on a local socket and nothing else."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import tempfile
import time
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import psycopg
import pytest

if TYPE_CHECKING:
    from collections.abc import Iterator

WITHIN_S, PAUSE_S = 60.0, 0.05
QUICK = ("fsync=off", "full_page_writes=off", "synchronous_commit=off")
"""For tests that never cut the power; a campaign that measures leaves them out. That
commits are not waited for is what the collector must not put up with."""


def program(name: str) -> str:
    """Return the path of a program, or fail: a skipped test would look green."""
    homes = sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True)
    path = os.pathsep.join([*map(str, homes), os.environ.get("PATH", "")])
    found = shutil.which(name, path=path)
    if found is None:
        pytest.fail("PostgreSQL is missing: sudo apt install postgresql")
    return found


def _as_other(command: list[str]) -> list[str]:
    """Return *command* as somebody else's: the server refuses to run as root."""
    who = ["runuser", "-u", "postgres", "--"] if os.getuid() == 0 else []
    return [*who, *command]


@dataclass
class Server:
    """A server that can be stopped, and started again with what it had."""

    folder: Path
    settings: tuple[str, ...] = QUICK
    _process: subprocess.Popen[bytes] | None = field(default=None, init=False)

    @property
    def data(self) -> Path:
        return self.folder / "data"

    def dsn(self, database: str = "fleet", user: str = "postgres") -> str:
        return f"host={self.folder} dbname={database} user={user}"

    def make(self) -> None:
        if os.getuid() == 0:
            shutil.chown(self.folder, "postgres", "postgres")
        command = [program("initdb"), "-D", str(self.data), "-U", "postgres"]
        command += ["-A", "trust", "-E", "UTF8", "--no-sync", "--locale", "C"]
        subprocess.run(_as_other(command), check=True, capture_output=True)

    def start(self) -> None:
        command = [program("postgres"), "-D", str(self.data), "-k", str(self.folder)]
        command += ["-c", "listen_addresses="]
        for each in self.settings:
            command += ["-c", each]
        with (self.folder / "postgres.log").open("ab") as log:
            self._process = subprocess.Popen(
                _as_other(command), stdout=log, stderr=log, cwd="/"
            )
        for _ in range(int(WITHIN_S / PAUSE_S)):
            try:
                psycopg.connect(self.dsn("postgres"), connect_timeout=2).close()
            except psycopg.OperationalError:
                time.sleep(PAUSE_S)
            else:
                return
        pytest.fail((self.folder / "postgres.log").read_text())

    @property
    def pid(self) -> int:
        return int((self.data / "postmaster.pid").read_text().splitlines()[0])

    def stop(self) -> None:
        """End it at once, as a crash would."""
        if self._process is None:
            return
        if (self.data / "postmaster.pid").exists():
            os.kill(self.pid, signal.SIGQUIT)
        self._process.wait(30)
        self._process = None

    def create(self, database: str) -> str:
        """Make an empty database; return how to reach it."""
        self.run(f'CREATE DATABASE "{database}"', database="postgres")
        return self.dsn(database)

    def run(self, text: str, *values: Any, database: str = "fleet") -> list[Any]:
        with psycopg.connect(self.dsn(database), autocommit=True) as connection:
            cursor = connection.execute(text.encode(), values or None)
            return cursor.fetchall() if cursor.description else []


@contextmanager
def served(settings: tuple[str, ...] = QUICK) -> Iterator[Server]:
    """Run a server with a database ``fleet`` while the context lasts."""
    folder = Path(tempfile.mkdtemp(prefix="tocsin-pg-"))
    server = Server(folder, settings)
    try:
        server.make()
        server.start()
        server.create("fleet")
        yield server
    finally:
        server.stop()
        shutil.rmtree(folder)
