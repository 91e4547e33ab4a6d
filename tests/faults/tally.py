"""What was done, what took place, and the story of it."""

from __future__ import annotations

import hashlib
from collections import Counter, deque
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

REMEMBERED = 400


class BrokenError(Exception):
    """An invariant was broken; the text begins with its number."""


@dataclass
class Tally:
    """Counts of one or many seeds.

    Attributes:
        faults: Faults that really took place, by kind.
        counts: Everything else.
    """

    faults: Counter[str] = field(default_factory=Counter)
    counts: Counter[str] = field(default_factory=Counter)

    def add(self, other: Tally) -> None:
        """Take the counts of another seed."""
        self.faults.update(other.faults)
        self.counts.update(other.counts)


class Story:
    """The last minutes, for a failure, and a hash of everything.

    Args:
        folder: Whose name differs from run to run, and is told as "here".

    Attributes:
        now_s: Set by whoever keeps time.
    """

    def __init__(self, folder: Path) -> None:
        self.lines: deque[str] = deque(maxlen=REMEMBERED)
        self._folder = str(folder)
        self._hash = hashlib.sha256()

    def tell(self, now_s: float, text: str) -> None:
        """Remember what happened; all of it counts in the hash."""
        line = f"{now_s:14.3f} s  {text}".replace(self._folder, "here")
        self.lines.append(line)
        self._hash.update(line.encode())

    def note(self, text: str) -> None:
        """Count something in the hash alone."""
        self._hash.update(text.encode())

    @property
    def digest(self) -> str:
        """Return the hash of all that was told."""
        return self._hash.hexdigest()
