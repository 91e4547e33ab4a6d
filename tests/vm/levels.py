"""What was on every line of the GPIO chip, from the kernel's own record. Pure.

The record is a text of tracefs (Linux, ``Documentation/trace/kprobetrace.rst``): each
call of the simulated chip's functions, in order, with a time in microseconds. Nothing
is sampled, so a level that lasts a microsecond is in it. What a call does to a line is
that of ``drivers/gpio/gpio-sim.c``, with one thing stricter: a line that becomes an
input is at its pull resistor's level at once, as it would be on a board.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Iterator, Mapping

MOST_LINES = 64
PULL_DOWN, PULL_UP = 3, 5
"""``enum pin_config_param`` of ``include/linux/pinctrl/pinconf-generic.h``."""

_ROW = re.compile(
    r"^\s*\S.*-\d+\s+\[\d+\]\s+\S+\s+(?P<at>\d+\.\d+): (?P<what>\w+): (?P<rest>.*)$"
)
_VALUE = re.compile(r"(\w+)=(-?\d+)")


@dataclass(frozen=True, slots=True)
class Change:
    """A line's level became another one.

    Attributes:
        at_s: On the machine's monotonic clock.
    """

    at_s: float
    line: int
    level: bool


@dataclass(frozen=True, slots=True)
class Mark:
    """What a test wrote into the record."""

    at_s: float
    text: str


@dataclass(frozen=True, slots=True)
class Record:
    """All that happened on the chip.

    Attributes:
        writes: How many calls of the driver were seen.
        lost: Calls that the kernel had no room for: then nothing is proved.
    """

    changes: tuple[Change, ...]
    marks: tuple[Mark, ...]
    writes: int
    lost: int

    def of(self, line: int, *, after_s: float = 0.0) -> list[Change]:
        """Return the changes of one line from *after_s* on."""
        return [c for c in self.changes if c.line == line and c.at_s >= after_s]

    def mark(self, text: str) -> float:
        """Return when *text* was written last.

        Raises:
            KeyError: it never was.
        """
        found = [mark.at_s for mark in self.marks if mark.text == text]
        if not found:
            raise KeyError(text)
        return found[-1]

    def between(self, first_s: float, last_s: float) -> list[Change]:
        """Return the changes of all lines in a span of time."""
        return [c for c in self.changes if first_s <= c.at_s < last_s]


def read(text: str, *, pulled_up: Collection[int]) -> Record:
    """Return the record in *text*; lines begin at their pull resistors' level."""
    pulls = {line: line in pulled_up for line in range(MOST_LINES)}
    now = dict(pulls)
    changes: list[Change] = []
    marks: list[Mark] = []
    writes = 0
    for at_s, what, rest in _rows(text):
        if what == "tracing_mark_write":
            marks.append(Mark(at_s, rest))
            continue
        writes += 1
        values = {name: int(value) for name, value in _VALUE.findall(rest)}
        for line, level in _done(what, values, pulls):
            if now[line] != level:
                now[line] = level
                changes.append(Change(at_s, line, level))
    return Record(tuple(changes), tuple(marks), writes, _lost(text))


def _rows(text: str) -> Iterator[tuple[float, str, str]]:
    for line in text.splitlines():
        if (row := _ROW.match(line)) is not None:
            yield float(row["at"]), row["what"], row["rest"].strip()


def _done(
    what: str, values: Mapping[str, int], pulls: dict[int, bool]
) -> Iterable[tuple[int, bool]]:
    """Return the lines that a call sets, and to what."""
    line = values.get("offset", 0)
    match what:
        case "set" | "out":
            return [(line, values["level"] != 0)]
        case "many":
            mask, bits = values["mask"], values["bits"]
            chosen = (n for n in range(MOST_LINES) if mask >> n & 1)
            return [(n, bool(bits >> n & 1)) for n in chosen]
        case "in" | "free":
            return [(line, pulls[line])]
        case "bias":
            param = values["config"] & 0xFF
            if param in {PULL_DOWN, PULL_UP}:
                pulls[line] = param == PULL_UP
        case _:
            pass
    return []


def _lost(text: str) -> int:
    """Return how many entries the ring buffer dropped."""
    found = re.search(r"entries-in-buffer/entries-written: (\d+)/(\d+)", text)
    overrun = int(found[2]) - int(found[1]) if found else 0
    return overrun + sum(map(int, re.findall(r"LOST (\d+) EVENTS", text)))
