"""A machine made of plain files and programs that answer, for the looks of doctor."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from tocsin.doctor import Finding, Machine, State, examine
from tocsin.doctor.seen import Kind, Node, Who
from tocsin_config import load

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

NOW_MS = 1_768_586_400_000

DAEMON = Who(name="tocsin", uid=990, gids=frozenset({990, 20}), because="the unit's")


def device(path: str = "/dev/ttyUSB0", **changes: object) -> Node:
    """Return a serial device as Debian makes it: root:dialout, 660."""
    kept = {"kind": Kind.DEVICE, "mode": 0o660, "gid": 20, "group": "dialout"}
    return Node(path=path, **{**kept, **changes})  # type: ignore[arg-type]


def about(findings: Iterable[Finding], word: str) -> Finding:
    """Return the one finding whose subject has *word* in it."""
    found = [each for each in findings if word in each.looked_at]
    assert len(found) == 1, found
    return found[0]


def complete(findings: Iterable[Finding]) -> list[Finding]:
    """Return the findings; each that is not good says what it means and what to do."""
    every = list(findings)
    for each in every:
        assert each.looked_at
        assert each.seen
        is_good = each.state is State.GOOD
        assert bool(each.means) is not is_good, each
        assert bool(each.todo) is not is_good, each
    return every


async def looked(site: Path) -> dict[str, Finding]:
    """Return what doctor finds beside a running loop, by what it looked at."""
    found = complete(await asyncio.to_thread(examine, load(site)))
    return {each.looked_at: each for each in found}


@dataclass
class Faked:
    """A machine below *root*; *programs* answer by their first words."""

    root: Path
    programs: dict[str, str] = field(default_factory=dict)
    asked: list[tuple[str, ...]] = field(default_factory=list)

    def put(self, path: str, text: str = "") -> None:
        at = self.root / path.lstrip("/")
        at.parent.mkdir(parents=True, exist_ok=True)
        at.write_text(text)

    def run(self, *words: str) -> str | None:
        self.asked.append(words)
        line = " ".join(words)
        known = [
            said for begin, said in self.programs.items() if line.startswith(begin)
        ]
        return known[0] if known else None

    @property
    def machine(self) -> Machine:
        return Machine(root=self.root, run=self.run, wall_ms=lambda: NOW_MS)


SERIAL_SITE = """\
[bank]
capacity_ah = 280
cells_in_series = 16
[[pack]]
name = "left"
driver = "sunspec"
serial = "{device}"
[[pack]]
name = "right"
driver = "sunspec"
serial = "{device}"
unit = 2
"""

LGPIO = """\
[[output]]
name = "charge"
role = "charge-permit"
pin = "GPIO17"
[gpio]
pins = "lgpio"
"""
