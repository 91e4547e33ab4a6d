"""Collects what is wrong between tables, without following up what is already told."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    from collections.abc import Iterable

    from tocsin_config.document import Document
    from tocsin_config.problems import Key, Problem

Name = TypeVar("Name", bound=Hashable)

DECISIVE = ("driver", "role", "measure")
"""Keys of a table that decide what the others mean."""


@dataclass(slots=True, kw_only=True)
class Findings:
    """Problems of one file.

    Attributes:
        broken: Keys whose mistake is told already; what rests on them is not told.
    """

    document: Document
    broken: frozenset[Key] = frozenset()
    problems: list[Problem] = field(default_factory=list)

    def tell(
        self, path: Key, wrong: str, right: str, *, needs: Iterable[Key] = ()
    ) -> None:
        """Note a problem at *path* that is only sure if *needs* are sound too."""
        rests_on = [path, *needs]
        if len(path) > 1 and isinstance(path[1], int):
            rests_on += [(*path[:2], key) for key in DECISIVE]
        for key in rests_on:
            if any(_overlap(key, broken) for broken in self.broken):
                return
        self.problems.append(self.document.problem(path, wrong, right))

    def nameless(self, table: str) -> list[Key]:
        """Return the broken names of *table*: what they meant is not known."""
        return [k for k in self.broken if k[0] == table and k[-1] == "name"]

    def twice(
        self,
        named: Iterable[tuple[Key, Name]],
        what: str,
        right: str,
        *,
        whole: bool = False,
    ) -> None:
        """Tell every name that an earlier entry has already taken.

        *whole*: only where nothing else is wrong with the two tables.
        """
        first: dict[Name, Key] = {}
        for path, name in named:
            if name in first:
                line = self.document.line(first[name])
                needs = [path[:2], first[name][:2]] if whole else []
                self.tell(path, f"{what}, as on line {line}", right, needs=needs)
            else:
                first[name] = path


def _overlap(one: Key, other: Key) -> bool:
    length = min(len(one), len(other))
    return one[:length] == other[:length]
