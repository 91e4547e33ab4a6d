"""A broker of one's own for the demo: mosquitto as a child, on a free loopback port."""

from __future__ import annotations

import shutil
import signal
import socket
import subprocess
import sys
from contextlib import contextmanager
from typing import TYPE_CHECKING

from tocsin.clock import stopwatch_s

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

PLACES = "/usr/sbin:/usr/local/sbin:/usr/bin:/usr/local/bin:/bin"
STARTING_S = 5.0
ENDING_S = 2.0
CONFIG = """\
listener {port} 127.0.0.1
allow_anonymous true
persistence false
"""


class NoBrokerError(Exception):
    """There is no broker to start, or it does not start; the text says why."""


@contextmanager
def child_broker(folder: Path) -> Iterator[int]:
    """Run a broker while the context lasts; yield its port.

    Raises:
        NoBrokerError: none is installed, or it does not answer.
    """
    program = shutil.which("mosquitto", path=PLACES)
    if program is None:
        raise NoBrokerError(
            "no broker to play with: mosquitto is not installed here "
            "(sudo apt install mosquitto); without --mqtt the demo needs none"
        )
    port = _free_port()
    config, log = folder / "broker.conf", folder / "broker.log"
    config.write_text(CONFIG.format(port=port), encoding="ascii")
    # Told to end, we must not leave the child behind.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))
    with log.open("wb") as said:
        child = subprocess.Popen(  # noqa: S603 found above, with our own file
            [program, "-c", str(config)], stdout=said, stderr=said
        )
    try:
        _wait(child, port, log)
        yield port
    finally:
        child.terminate()
        try:
            child.wait(ENDING_S)
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait()


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def _wait(child: subprocess.Popen[bytes], port: int, log: Path) -> None:
    until_s = stopwatch_s() + STARTING_S
    while stopwatch_s() < until_s and child.poll() is None:
        try:
            socket.create_connection(("127.0.0.1", port), 0.2).close()
        except OSError:
            continue
        return
    said = log.read_text(encoding="utf-8", errors="replace").strip()
    raise NoBrokerError(f"the broker does not start: {said or 'it does not answer'}")
