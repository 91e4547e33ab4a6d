"""What is wrong with a file, where, and what would be right."""

from __future__ import annotations

from dataclasses import dataclass
from difflib import get_close_matches
from typing import TYPE_CHECKING, TypeAlias

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

Key: TypeAlias = tuple[str | int, ...]
"""Where a value stands, as in ``("pack", 0, "host")``."""

CLOSE = 0.6
"""How alike two names must be, of 1, to suggest one for the other."""

FEW = 12
"""So many names are listed beside a suggestion."""


LONGEST = 1_000
"""Letters that a problem repeats of a file; what is longer helps nobody."""


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class Problem:
    """One mistake, or one doubt.

    Attributes:
        file: The file it stands in.
        line: Counted from 1; of the table's header where a key is missing.
        key: The path of the key, as in ``pack[left].host``.
        wrong: What is wrong.
        right: What would be right.
    """

    file: Path
    line: int
    key: str
    wrong: str
    right: str

    def __post_init__(self) -> None:
        for name in ("key", "wrong"):
            text = getattr(self, name)
            if len(text) > LONGEST:
                object.__setattr__(self, name, f"{text[:LONGEST]}...")

    def __str__(self) -> str:
        return f"{self.file}:{self.line}: {self.key}: {self.wrong}; {self.right}"


class SiteFileError(Exception):
    """A site file, or a file that it includes, is wrong: every mistake at once."""

    def __init__(self, problems: tuple[Problem, ...]) -> None:
        super().__init__("\n".join(map(str, problems)))
        self.problems = problems


def suggestion(wrong: str, known: Iterable[str]) -> str:
    """Return what to write instead of *wrong*: the closest name, or all of them."""
    names = sorted(set(known))
    near = get_close_matches(wrong, names, n=1, cutoff=CLOSE)
    every = f"one of {', '.join(names)}" if names else "none is known here"
    if not near:
        return every
    guess = f"did you mean {near[0]!r}?"
    return f"{guess} {every}" if len(names) <= FEW else guess
