"""What the core is told (events) and what it tells (demands and facts)."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, TypeAlias

if TYPE_CHECKING:
    from tocsin.core.counts import Counts
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


@dataclass(frozen=True, slots=True, kw_only=True)
class CertificatesSeen:
    """How long the certificates in use hold; negative once the first has ended.

    Attributes:
        text: Which one ends first and when, in words.
    """

    at_ms: int
    left_ms: int
    text: str


class Verb(StrEnum):
    """What a person may ask. None of them ever energises a permit."""

    ACKNOWLEDGE = "acknowledge"  # I have seen it
    SILENCE = "silence"  # stop the sound, for a time
    RESET = "reset"  # release a latch whose cause has gone
    SHELVE = "shelve"  # hide it, for a time, with a reason
    UNSHELVE = "unshelve"
    REMOVE = "remove"  # out of service, with a reason
    RETURN = "return"  # back to service
    SOUNDER_TEST = "sounder-test"  # one burst of the horn, while no alarm sounds
    GENERATOR_REQUEST = "generator-request"  # ask for it, for a time
    GENERATOR_RELEASE = "generator-release"  # ask no longer; rules still may


@dataclass(frozen=True, slots=True, kw_only=True)
class Command:
    """A person's wish.

    Attributes:
        alarm: Name of a rule; empty means every alarm (acknowledge, silence, reset).
        subject: A pack, string or part; empty means every subject of the rule.
        by: Who asks.
        reason: Needed to shelve and to remove.
        for_ms: How long, to silence, to shelve and to request the generator.
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


@dataclass(frozen=True, slots=True, kw_only=True)
class LocalTime:
    """The local time of day at this moment, *day_ms* after midnight."""

    at_ms: int
    day_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class InputSeen:
    """An input showed a level: True while it is active, None if it cannot be read.

    Attributes:
        reason: Why it cannot be read.
    """

    at_ms: int
    name: str
    level: bool | None
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Counted:
    """What an output had done before this run, its moments in the times of this one."""

    at_ms: int
    output: str
    counts: Counts


@dataclass(frozen=True, slots=True, kw_only=True)
class ChargeSeen:
    """Times of day, in ms, at which charge began on the last days before this run."""

    at_ms: int
    begins_ms: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ProofBegin:
    """A virtual reading of one rule, at its limit, for a time; see `core.proof`.

    Attributes:
        alarm: Name of the rule.
        subject: Pack, string or part; empty means the rule's first.
        by: Who proves.
        for_ms: How long at most.
    """

    at_ms: int
    alarm: str
    subject: str = ""
    by: str
    for_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ProofEnd:
    """The virtual reading is withdrawn; nothing happens if there is none."""

    at_ms: int
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ProofDue:
    """When the next proof test is due, by the newest record; past if negative."""

    at_ms: int
    in_ms: int


Event: TypeAlias = (
    Reading
    | ReadingFailed
    | Tick
    | Trouble
    | CertificatesSeen
    | Command
    | LastFull
    | Learned
    | LocalTime
    | InputSeen
    | Counted
    | ChargeSeen
    | ProofBegin
    | ProofEnd
    | ProofDue
)


class Proving(StrEnum):
    """What a proof test has to do with a fact."""

    NOT = ""
    CAUSE = "cause"  # it would not be without the virtual reading
    MEANWHILE = "meanwhile"  # it is real, while a proof test was going on


@dataclass(frozen=True, slots=True, kw_only=True)
class Demand:
    """A level, not an edge: what an output should be *now*, and why.

    Attributes:
        energised: The level to hold on the pin at this moment.
        called: For a horn, True all through a pattern, gaps included; for everything
            else the same as *energised*.
        because: Names of alarms and of the core's own reasons, in a fixed order.
        proving: A proof test is why the level, or one of the reasons, is what it is.
    """

    output: str
    role: Role
    energised: bool
    called: bool
    because: tuple[str, ...] = ()
    proving: bool = False


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
    proving: Proving = Proving.NOT


@dataclass(frozen=True, slots=True, kw_only=True)
class OutputFact:
    """An output changed, or the reasons for its level did."""

    at_ms: int
    output: str
    role: Role
    energised: bool
    because: tuple[str, ...]
    proving: Proving = Proving.NOT


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
    proving: Proving = Proving.NOT


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
    proving: Proving = Proving.NOT


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteFact:
    """Anything else worth a row: start, stop, a full charge, a loss of rows."""

    at_ms: int
    what: str
    text: str
    proving: Proving = Proving.NOT


@dataclass(frozen=True, slots=True, kw_only=True)
class ProofFact:
    """A step of a proof test, and what became of it.

    Attributes:
        state: "begun", "crossed" (the virtual reading was taken), "ended", "refused".
        subject: Pack, string or part.
        virtual, live: In *unit*; None where nothing is or was measured.
        text: For a person: how long at most, or why it ended or was refused.
    """

    at_ms: int
    state: str
    alarm: str
    subject: str
    by: str
    virtual: int | None
    live: int | None
    unit: Unit
    text: str
    proving: Proving = Proving.CAUSE


Fact: TypeAlias = (
    AlarmFact | OutputFact | SourceFact | CommandFact | NoteFact | ProofFact
)
