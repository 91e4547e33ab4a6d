"""Events on their way to the broker: the journal is the queue. Pure.

A row is sent until the broker has acknowledged it, one at a time, so that none passes
another. ``epoch`` names the run that wrote it and ``seq`` its number in that run:
whoever has seen both has seen the row. What could not be stored yet is sent as well,
from memory, under an epoch of its own.
"""

from __future__ import annotations

import json
from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

from tocsin.clock import iso_time
from tocsin.core.events import AlarmFact
from tocsin.mqtt.messages import Message
from tocsin.mqtt.payloads import document
from tocsin.wire import fact_json

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tocsin.core.events import Fact

PAGE = 200
ROOM = 2_000
"""Facts that wait in memory while the journal cannot be written."""


class Row(Protocol):
    """What is needed of a row of the journal."""

    @property
    def id(self) -> int:
        """1 for the first row of a file, then without a gap."""
        ...

    @property
    def run_id(self) -> str:
        """The run that wrote it."""
        ...

    @property
    def seq(self) -> int:
        """Its number in that run."""
        ...

    @property
    def wall_ms(self) -> int:
        """The time of day, in ms since 1970."""
        ...

    @property
    def detail(self) -> str:
        """A JSON object."""
        ...


@dataclass(frozen=True, slots=True)
class Mark:
    """A row that the broker has: the next one is to be sent."""

    id: int
    run_id: str
    seq: int

    @classmethod
    def of(cls, row: Row) -> Mark:
        """Return the mark at *row*."""
        return cls(row.id, row.run_id, row.seq)

    def is_at(self, row: Row) -> bool:
        """Return True if *row* is the one marked."""
        return self == Mark.of(row)


class Feed:
    """What is to be sent, in order.

    Args:
        topic: Where events go; likewise an attribute.
        epoch: The run's own name.
        mark: What the broker already has; None if nothing is known of it.

    Attributes:
        mark: As above; moves as the broker acknowledges.
        is_behind: The journal may hold more than was read.
        lost: Facts dropped from memory since they were last told of.
    """

    def __init__(
        self, topic: str, *, epoch: str, mark: Mark | None, room: int = ROOM
    ) -> None:
        self.topic = topic
        self._epoch = epoch
        self._room = room
        self._rows: deque[Row] = deque()
        self._loose: deque[tuple[bool, dict[str, Any]]] = deque()
        self._loose_seq = self._lost_seq = self._wall_ms = 0
        self._is_row = False
        self._in_flight = False
        self.mark = mark
        self.is_behind = True
        self.lost = 0

    # --- filled --------------------------------------------------------------------

    def stored(self) -> None:
        """Hear that the journal has grown."""
        self.is_behind = True

    def unstored(self, facts: Sequence[Fact], *, wall_ms: int) -> None:
        """Take facts that are not on the disk; without room the oldest goes first.

        Alarms stay longest.
        """
        self._wall_ms = wall_ms
        for fact in facts:
            self._loose_seq += 1
            told = self._told(f"{self._epoch}-unstored", self._loose_seq, wall_ms)
            if len(self._loose) >= self._room:
                self._drop_one()
            self._loose.append(
                (isinstance(fact, AlarmFact), {**told, **fact_json(fact)})
            )

    def _drop_one(self) -> None:
        plain = (i for i, (is_alarm, _) in enumerate(self._loose) if not is_alarm)
        index = next(plain, 0)
        self.lost += 1
        self._lost_seq = self._loose[index][1]["seq"]
        del self._loose[index]

    @property
    def wants_rows(self) -> bool:
        """Return True if the journal should be read."""
        return self.is_behind and not self._rows

    @property
    def after_id(self) -> int:
        """Return after which row to read: the marked one must come again, first."""
        return 0 if self.mark is None else max(0, self.mark.id - 1)

    def read(self, rows: Sequence[Row] | None, *, asked: int = PAGE) -> None:
        """Take what came of reading *asked* rows after `after_id`; None of a failure.

        If the marked row is not among them, another file bears the journal's name: all
        of it is new.
        """
        self.is_behind = rows is not None and len(rows) >= asked
        if rows is None:
            return
        if self.mark is None or self.mark.id == 0:
            self._rows.extend(rows)
        elif rows and self.mark.is_at(rows[0]):
            self._rows.extend(rows[1:])
        else:
            self.mark, self.is_behind = Mark(0, "", 0), True

    def begin_at(self, newest: Sequence[Row]) -> None:
        """Begin with the first row of this run; *newest* are the last of the file."""
        older = [row for row in newest if row.run_id != self._epoch]
        self.mark = Mark.of(older[-1]) if older else Mark(0, "", 0)

    # --- emptied -------------------------------------------------------------------

    def __bool__(self) -> bool:
        """Return True while something is to be sent, or waits for its answer."""
        return bool(
            self._in_flight or self._rows or self._loose or self.lost or self.is_behind
        )

    def next(self) -> Message | None:
        """Return what to send now: one message until it is answered."""
        if self._in_flight:
            return None
        if self._rows:
            row = self._rows[0]
            told = self._told(row.run_id, row.seq, row.wall_ms) | json.loads(row.detail)
            self._is_row = True
        elif self.is_behind or not (self._loose or self.lost):
            return None
        else:
            if self.lost:
                self._loose.appendleft((True, self._loss()))
            told = self._loose[0][1]
            self._is_row = False
        self._in_flight = True
        return Message(topic=self.topic, payload=document(told), is_retained=False)

    def _loss(self) -> dict[str, Any]:
        lost, self.lost = self.lost, 0
        text = f"{lost} events were neither stored nor sent: there was no room"
        # It takes the place of one of them, so that no two losses bear one number.
        told = self._told(f"{self._epoch}-unstored", self._lost_seq, self._wall_ms)
        return {**told, "kind": "note", "what": "mqtt-loss", "text": text}

    def acknowledged(self) -> None:
        """Hear that the broker has what was in flight."""
        if self._in_flight:
            self._in_flight = False
            if self._is_row:
                self.mark = Mark.of(self._rows.popleft())
            else:
                self._loose.popleft()

    def returned(self) -> None:
        """Hear that it did not get through: it is sent again."""
        self._in_flight = False

    def _told(self, epoch: str, seq: int, wall_ms: int) -> dict[str, Any]:
        return {"epoch": epoch, "seq": seq, "at": iso_time(wall_ms)}
