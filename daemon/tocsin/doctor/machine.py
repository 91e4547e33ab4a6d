"""The machine that is looked at: its files below a root, and its programs."""

from __future__ import annotations

import os
import stat
import subprocess
import threading
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Generic, TypeVar

from tocsin.clock import wall_ms
from tocsin.doctor.seen import Kind, Node

if TYPE_CHECKING:
    from collections.abc import Callable

T = TypeVar("T")

PROGRAM_S = 5.0
"""How long a program that only shows something may take."""

LOOK_S = 10.0
"""How long one look may take: longer than the programs and lines in it."""


class HangsError(Exception):
    """A look did not end in its time."""


def run(*words: str) -> str | None:
    """Return what a program writes; None if it is not there, fails or hangs."""
    try:
        done = subprocess.run(  # noqa: S603 fixed words, no shell
            words,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            timeout=PROGRAM_S,
            check=False,
            env={**os.environ, "LC_ALL": "C", "SYSTEMD_COLORS": "0"},
        )
    except (OSError, subprocess.TimeoutExpired):
        return None
    return None if done.returncode else done.stdout.decode(errors="replace")


@dataclass(frozen=True, slots=True)
class Machine:
    """What the looks use; a test gives a root and programs of its own."""

    root: Path = Path("/")
    run: Callable[..., str | None] = run
    wall_ms: Callable[[], int] = wall_ms

    def at(self, path: str | Path) -> Path:
        """Return *path* of the machine, below the root."""
        return self.root / str(path).lstrip("/")

    def text(self, path: str | Path) -> str | None:
        """Return the stripped text of a file; None if it cannot be read."""
        try:
            return self.at(path).read_text(errors="replace").strip()
        except OSError:
            return None

    def number(self, path: str | Path, base: int = 10) -> int | None:
        """Return the first number in a file; None if there is none."""
        words = (self.text(path) or "").split()
        try:
            return int(words[0], base) if words else None
        except ValueError:
            return None

    def holders(
        self, leads_to: Callable[[str], bool]
    ) -> tuple[tuple[str, int], ...] | None:
        """Return the processes with an open file that *leads_to* accepts.

        None where no such process was found and not every process could be seen.
        """
        found: list[tuple[str, int]] = []
        is_whole = True
        for process in sorted(self.at("/proc").glob("[0-9]*")):
            links = _links(process / "fd")
            is_whole &= links is not None
            if any(leads_to(link) for link in links or ()):
                name = self.text(f"/proc/{process.name}/comm") or "?"
                found.append((name, int(process.name)))
        return tuple(found) if found or is_whole else None


def _links(folder: Path) -> list[str] | None:
    """Return what a process has open; None where that is not for us to see."""
    try:
        entries = list(folder.iterdir())
    except PermissionError:
        return None
    except OSError:  # it has just ended
        return []
    links: list[str] = []
    for entry in entries:
        with suppress(OSError):
            links.append(str(entry.readlink()))
    return links


def node(path: Path) -> Node:
    """Return what *path* leads to, and who may use it."""
    try:
        status = path.stat()
    except FileNotFoundError:
        return Node(path=str(path), kind=Kind.MISSING)
    except OSError as exc:
        why = exc.strerror or str(exc)
        return Node(path=str(path), kind=Kind.UNSEEN, trouble=why)
    mode = status.st_mode
    kind = Kind.OTHER
    if stat.S_ISCHR(mode) or stat.S_ISBLK(mode):
        kind = Kind.DEVICE
    elif stat.S_ISDIR(mode):
        kind = Kind.FOLDER
    elif stat.S_ISREG(mode):
        kind = Kind.FILE
    try:
        group = path.group()
    except (KeyError, OSError):
        group = ""
    return Node(
        path=str(path),
        kind=kind,
        mode=stat.S_IMODE(mode),
        uid=status.st_uid,
        gid=status.st_gid,
        group=group,
    )


class _Look(Generic[T]):
    """One look, on a thread that is left behind if it hangs."""

    def __init__(self, do: Callable[[], T]) -> None:
        self._do = do
        self.came: list[T] = []
        self.failed: list[BaseException] = []

    def __call__(self) -> None:
        try:
            self.came.append(self._do())
        except BaseException as exc:  # noqa: BLE001 it is raised where it was asked for
            self.failed.append(exc)


def within(limit_s: float, do: Callable[[], T]) -> T:
    """Return what *do* returns.

    Raises:
        HangsError: it has not ended after *limit_s*; it is left behind.
    """
    look = _Look(do)
    thread = threading.Thread(target=look, name="tocsin-look", daemon=True)
    thread.start()
    thread.join(limit_s)
    if look.failed:
        raise look.failed[0]
    if not look.came:
        raise HangsError(f"it did not end within {limit_s:g} s")
    return look.came[0]
