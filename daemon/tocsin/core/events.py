"""What the core is told (events) and what it tells (demands and facts)."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, TypeAlias

if TYPE_CHECKING:
    from tocsin.core.forecast.pack import Tracker
    from tocsin.core.model import Sample
    from tocsin.core.rules import Priority, Role, Unit


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """A sample that the shell stamped with its pack and with the time."""

    at_ms: int
    pack: str
    sample: Sample


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingFailed:
    """A poll that produced nothing. Does not erase what is known; it only ages."""

    at_ms: int
    pack: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Tick:
    """Time passed and nothing else happened."""

    at_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Trouble:
    """A part of the daemon cannot do its work (*reason*), or can again (empty)."""

    at_ms: int
    part: str
    reason: str


class Verb(StrEnum):
    """What a person may ask. None of them ever energises a permit."""

    ACKNOWLEDGE = "acknowledge"  # I have seen it
    SILENCE = "silence"  # stop the sound, for a time
    RESET = "reset"  # release a latch whose cause has gone
    SHELVE = "shelve"  # hide it, for a time, with a reason
    UNSHELVE = "unshelve"
    REMOVE = "remove"  # out of service, with a reason
    RETURN = "return"  # back to service


@dataclass(frozen=True, slots=True, kw_only=True)
class Command:
    """A person's wish.

    Attributes:
        alarm: Name of a rule; empty means every alarm (acknowledge, silence, reset).
        subject: A pack, string or part; empty means every subject of the rule.
        by: Who asks.
        reason: Needed to shelve and to remove.
        for_ms: How long, to silence and to shelve.
    """

    at_ms: int
    verb: Verb
    by: str
    alarm: str = ""
    subject: str = ""
    reason: str = ""
    for_ms: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class LastFull:
    """How long ago the last full charge was, as the journal remembers it."""

    at_ms: int
    ago_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Learned:
    """What an earlier run had learned of a pack, in the times of this one."""

    at_ms: int
    pack: str
    tracker: Tracker


Event: TypeAlias = (
    Reading | ReadingFailed | Tick | Trouble | Command | LastFull | Learned
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Demand:
    """A level, not an edge: what an output should be *now*, and why.

    Attributes:
        energised: The level to hold on the pin at this moment.
        called: For a horn, True all through a pattern, gaps included; for everything
            else the same as *energised*.
        because: Names of alarms and of the core's own reasons, in a fixed order.
    """

    output: str
    role: Role
    energised: bool
    called: bool
    because: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmFact:
    """An alarm went from one state to another.

    Attributes:
        alarm: Name of the rule.
        subject: As in ``left/7`` (cell 7 of pack left), ``left``, ``bank``.
        state: A word of ISA-18.2 / IEC 62682.
        value: In *unit*; None where nothing was measured.
        message: For a person: what, how much, what happens by itself, what to do.
    """

    at_ms: int
    alarm: str
    subject: str
    priority: Priority
    state: str
    was: str
    value: int | None
    unit: Unit
    message: str


@dataclass(frozen=True, slots=True, kw_only=True)
class OutputFact:
    """An output changed, or the reasons for its level did."""

    at_ms: int
    output: str
    role: Role
    energised: bool
    because: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceFact:
    """A pack's data was lost, refused, or came back.

    Attributes:
        pack: Its name; with *is_extra* that of a source beside the packs' own.
    """

    at_ms: int
    pack: str
    state: str  # "online", "lost", "refused"
    reason: str
    is_extra: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class CommandFact:
    """A person's wish and what became of it."""

    at_ms: int
    verb: Verb
    alarm: str
    subject: str
    by: str
    reason: str
    accepted: bool
    outcome: str


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteFact:
    """Anything else worth a row: start, stop, a full charge, a loss of rows."""

    at_ms: int
    what: str
    text: str


Fact: TypeAlias = AlarmFact | OutputFact | SourceFact | CommandFact | NoteFact
