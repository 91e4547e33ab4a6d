"""The steps that lead to the tables this version knows; .sql files, one a version."""

from __future__ import annotations

from dataclasses import dataclass
from importlib.resources import files


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step; *version* is the one it leads to, counted from 1."""

    version: int
    text: str


def steps() -> tuple[Step, ...]:
    """Return every step, in order."""
    folder = files("tocsin.fleet").joinpath("sql")
    return tuple(
        Step(version=int(f.name.split("_")[0]), text=f.read_text(encoding="utf-8"))
        for f in sorted(folder.iterdir(), key=lambda f: f.name)
        if f.name.endswith(".sql")
    )


def after(version: int) -> tuple[Step, ...]:
    """Return the steps that a database of *version* still needs."""
    return tuple(step for step in steps() if step.version > version)


def newest() -> int:
    """Return the version that the last step leads to."""
    return steps()[-1].version
