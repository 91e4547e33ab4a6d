"""A trace that grows: whole after every line, whatever ends it."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Self

from tocsin import trace

if TYPE_CHECKING:
    from pathlib import Path
    from types import TracebackType

    from tocsin.core.model import Sample


class Tape:
    """A trace file being written, for ``with``. It never replaces another file.

    The header has room for the widest sample so far; a wider one makes the file anew,
    beside the old one, which it then replaces in one go. Time begins with the first
    row. A tape on which nothing was written leaves no file.

    Attributes:
        rows: Rows written.
        last_ms: Time of the newest row.

    Raises:
        FileExistsError: there is such a file.
        OSError: it cannot be written.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.rows = 0
        self.last_ms = 0
        self._file = path.open("x", encoding="utf-8", newline="")
        self._first_ms: int | None = None
        self._cells = self._temps = 0

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        try:
            if self.rows:
                os.fsync(self._file.fileno())
        finally:
            self._file.close()
            if not self.rows:
                self.path.unlink(missing_ok=True)

    def write(self, at_ms: int, pack: str, sample: Sample) -> None:
        """Add what *pack* said at *at_ms*; times that go back are held at the last.

        Raises:
            OSError: it cannot be written; what is there stays whole.
        """
        cells = max(self._cells, len(sample.cells_mv))
        temps = max(self._temps, len(sample.temps_dc))
        if self._first_ms is None:
            self._first_ms = at_ms
            self._put(trace.header(cells, temps))
        elif (cells, temps) != (self._cells, self._temps):
            self._widen(cells, temps)
        self._cells, self._temps = cells, temps
        self.last_ms = max(self.last_ms, at_ms - self._first_ms)
        self._put(trace.written(self.last_ms, pack, sample, cells, temps))
        self.rows += 1

    def _put(self, line: str) -> None:
        self._file.write(f"{line}\n")
        self._file.flush()

    def _widen(self, cells: int, temps: int) -> None:
        beside = self.path.with_name(f"{self.path.name}.wider")
        fixed = len(trace.FIXED)
        gap = [""] * (cells - self._cells)
        tail = [""] * (temps - self._temps)
        with (
            self.path.open(encoding="utf-8") as old,
            beside.open("w", encoding="utf-8", newline="") as new,
        ):
            next(old)
            new.write(trace.header(cells, temps) + "\n")
            for line in old:
                fields = line.rstrip("\n").split(",")
                at = fixed + self._cells
                whole = [*fields[:at], *gap, *fields[at:], *tail]
                new.write(",".join(whole) + "\n")
        self._file.close()
        beside.replace(self.path)
        self._file = self.path.open("a", encoding="utf-8", newline="")
