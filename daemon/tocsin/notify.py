"""Telling the service manager how the daemon is: sd_notify(3), sd_watchdog_enabled(3).

Started by hand there is nobody to tell, and nothing happens.
"""

from __future__ import annotations

import os
import socket
from contextlib import suppress


def ready(text: str) -> None:
    """Say that the daemon decides, and what it watches."""
    _tell(f"READY=1\nSTATUS={text}")


def watchdog() -> None:
    """Say that a step was completed and checked."""
    _tell("WATCHDOG=1")


def stopping() -> None:
    """Say that the daemon is about to end."""
    _tell("STOPPING=1")


def watchdog_interval_s() -> float:
    """Return how often `watchdog` must be called; 0.0 when nobody waits for it."""
    if os.environ.get("WATCHDOG_PID", str(os.getpid())) != str(os.getpid()):
        return 0.0
    try:
        return max(0, int(os.environ.get("WATCHDOG_USEC", "0"))) / 1_000_000
    except ValueError:
        return 0.0


def _tell(state: str) -> None:
    path = os.environ.get("NOTIFY_SOCKET", "")
    if not path.startswith(("/", "@")):
        return
    if path.startswith("@"):  # Linux's abstract namespace
        path = "\0" + path[1:]
    with (
        suppress(OSError),
        socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as line,
    ):
        line.setblocking(False)  # a service manager that hangs must not stop a step
        line.sendto(state.encode(), path)
