"""The line to a running daemon, as `tocsin prove` holds it."""

from __future__ import annotations

import json
import select
import socket
import struct
from typing import TYPE_CHECKING, Any, Self

from tocsin.control import PATIENCE_S, ControlError

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

PIECE = 65_536
CREDENTIALS = struct.Struct("3i")


class Line:
    """One step of a proof test. Closing it, or dying, ends the step.

    Attributes:
        begun: The daemon's answer: whether it began, and why not.
    """

    def __init__(self, path: Path, request: Mapping[str, Any]) -> None:
        self._socket = socket.socket(socket.AF_UNIX)
        self._socket.settimeout(PATIENCE_S)
        self._rest = b""
        self._is_closed = False
        try:
            self._socket.connect(str(path))
            self._socket.sendall(json.dumps(request).encode() + b"\n")
        except OSError as exc:
            self._socket.close()
            raise ControlError(f"no daemon answers on {path}") from exc
        said = self.wait(PATIENCE_S)
        if said is None:
            self._socket.close()
            raise ControlError(f"the daemon on {path} gave no answer")
        self.begun: dict[str, Any] = said

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._socket.close()

    def wait(self, seconds: float) -> dict[str, Any] | None:
        """Return the next line, or None after *seconds*, or once nothing more comes."""
        while b"\n" not in self._rest:
            if self._is_closed or not self._is_ready(seconds):
                return None
            try:
                piece = self._socket.recv(PIECE)
            except OSError:
                piece = b""
            self._is_closed = not piece
            self._rest += piece
        line, _, self._rest = self._rest.partition(b"\n")
        said = json.loads(line)
        return said if isinstance(said, dict) else None

    @property
    def is_over(self) -> bool:
        """Return True once the daemon has hung up and every line was read."""
        return self._is_closed and b"\n" not in self._rest

    def end(self) -> None:
        """Ask the daemon to withdraw the virtual reading."""
        try:
            self._socket.sendall(b'{"do": "end"}\n')
        except OSError:
            self._is_closed = True

    def _is_ready(self, seconds: float) -> bool:
        return bool(select.select([self._socket], [], [], max(0.0, seconds))[0])


def process_behind(path: Path) -> int | None:
    """Return the process that listens on *path*; None if nobody does."""
    with socket.socket(socket.AF_UNIX) as line:
        line.settimeout(PATIENCE_S)
        try:
            line.connect(str(path))
            told = line.getsockopt(
                socket.SOL_SOCKET, socket.SO_PEERCRED, CREDENTIALS.size
            )
        except OSError:
            return None
    pid: int = CREDENTIALS.unpack(told)[0]
    return pid
