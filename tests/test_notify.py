"""Checked against sd_notify(3) and sd_watchdog_enabled(3) of systemd."""

from __future__ import annotations

import os
import socket
from typing import TYPE_CHECKING

import pytest

from tocsin import notify

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@pytest.fixture
def manager(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[socket.socket]:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as line:
        path = str(tmp_path / "notify")
        line.bind(path)
        line.settimeout(5)
        monkeypatch.setenv("NOTIFY_SOCKET", path)
        yield line


def test_each_state_is_one_datagram_of_assignments(manager: socket.socket) -> None:
    notify.ready("watching Fern Ridge hut")
    notify.watchdog()
    notify.stopping()
    assert manager.recv(999) == b"READY=1\nSTATUS=watching Fern Ridge hut"
    assert manager.recv(999) == b"WATCHDOG=1"
    assert manager.recv(999) == b"STOPPING=1"


def test_a_name_that_begins_with_an_at_is_abstract(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    name = f"tocsin-test-{os.getpid()}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as line:
        line.bind("\0" + name)
        line.settimeout(5)
        monkeypatch.setenv("NOTIFY_SOCKET", "@" + name)
        notify.watchdog()
        assert line.recv(99) == b"WATCHDOG=1"


@pytest.mark.parametrize("path", ["", "/nowhere/at/all", "relative", "@nobody-there"])
def test_with_nobody_to_tell_nothing_happens(
    path: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NOTIFY_SOCKET", path)
    notify.watchdog()


def test_a_manager_that_does_not_listen_never_holds_a_step_up(
    manager: socket.socket,
) -> None:
    for _ in range(10_000):  # far more than its queue takes
        notify.watchdog()
    assert manager.recv(99) == b"WATCHDOG=1"


@pytest.mark.parametrize(
    ("usec", "pid", "interval_s"),
    [
        ("30000000", None, 30.0),
        ("30000000", "own", 30.0),
        ("30000000", "1", 0.0),
        ("0", None, 0.0),
        (None, None, 0.0),
        ("soon", None, 0.0),
        ("-5", None, 0.0),
    ],
)
def test_the_interval_is_the_managers_and_only_for_its_own_process(
    usec: str | None,
    pid: str | None,
    interval_s: float,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    for name, value in (("WATCHDOG_USEC", usec), ("WATCHDOG_PID", pid)):
        if value is None:
            monkeypatch.delenv(name, raising=False)
        else:
            said = str(os.getpid()) if value == "own" else value
            monkeypatch.setenv(name, said)
    assert notify.watchdog_interval_s() == interval_s
