"""What sites of a fleet tell, made short."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import tempfile
import time
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import pytest

from tocsin.fleet.told import Event, State, Summary, read
from tocsin.mqtt.commands import Heard

if TYPE_CHECKING:
    from collections.abc import Iterator

BEGAN = datetime(2026, 1, 16, 18, tzinfo=UTC)


def heard(what: str, payload: Any, site: str = "hut", number: int = 0) -> Heard:
    data = payload if isinstance(payload, str) else json.dumps(payload)
    return Heard(topic=f"{site}/5/{site}/{what}", payload=data.encode(), number=number)


def _at(minute: int) -> str:
    return (BEGAN + timedelta(minutes=minute)).isoformat()


def event(
    seq: int, *, epoch: str = "e", site: str = "hut", minute: int = 0, detail: str = ""
) -> Event:
    told = {"epoch": epoch, "seq": seq, "at": _at(minute), "kind": "note", "text": "x"}
    text = json.dumps(told)
    if detail:
        text = f"{text[:-1]}, {detail[1:]}"
    return _read(heard("events/event", text, site), Event)


def summary(
    seq: int, *, epoch: str = "e", site: str = "hut", minute: int = 0, **more: Any
) -> Summary:
    told = {
        "epoch": epoch,
        "seq": seq,
        "at": _at(minute),
        "name": "Fern Ridge hut",
        "low": None,
        "alarm_count": 0,
        "alarms": [],
        "packs": [],
        "outputs": [],
        "proof_due": "2126-01-16T18:00:00Z",
        **more,
    }
    return _read(heard("fleet/summary", told, site), Summary)


def state(said: str, site: str = "hut") -> State:
    return _read(heard("$state", said, site), State)


T = TypeVar("T", Event, Summary, State)


def _read(message: Heard, kind: type[T]) -> T:
    told = read(message)
    assert isinstance(told, kind)
    return told


@dataclass
class Member:
    """A collector in a process of its own."""

    port: int
    dsn: str
    name: str
    log: Path
    more: tuple[str, ...] = ()
    code: int | None = None
    _process: subprocess.Popen[bytes] | None = None

    def command(self, *more: str) -> list[str]:
        made = [sys.executable, "-m", "tocsin", "fleet", "collect", "--name", self.name]
        made += ["--database", self.dsn, "--host", "127.0.0.1"]
        return [*made, "--port", str(self.port), *self.more, *more]

    def start(self) -> None:
        with self.log.open("ab") as log:
            self._process = subprocess.Popen(self.command(), stderr=log)

    @property
    def process(self) -> subprocess.Popen[bytes]:
        assert self._process is not None
        return self._process

    def said(self) -> str:
        return self.log.read_text()

    def until(self, words: str) -> None:
        for _ in range(400):
            if words in self.said():
                return
            time.sleep(0.05)
        pytest.fail(f"it never said {words!r}: {self.said()}")

    def wait(self) -> int:
        self.code = self.process.wait(20)
        return self.code

    def pause(self, *, is_paused: bool) -> None:
        self.process.send_signal(signal.SIGSTOP if is_paused else signal.SIGCONT)

    def stop(self, number: int) -> str:
        """End it; return what it said."""
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGCONT)
            self.process.send_signal(number)
        self.wait()
        return self.said()

    def retire(self) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            self.command("--retire"), capture_output=True, text=True, check=False
        )


@contextmanager
def member(
    port: int,
    dsn: str,
    *,
    name: str = "one",
    ready: str = "connected to",
    more: tuple[str, ...] = (),
) -> Iterator[Member]:
    """Run a collector while the context lasts, with *more* words in its command."""
    with tempfile.TemporaryDirectory() as folder:
        made = Member(port, dsn, name, Path(folder) / "log", more)
        made.start()
        try:
            if ready:
                made.until(ready)
                time.sleep(0.2)  # the subscription is on its way
            yield made
        finally:
            made.stop(signal.SIGKILL)
