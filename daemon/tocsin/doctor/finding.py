"""What a look at one thing came to."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable


class State(StrEnum):
    """How a thing is, worst first. What was not looked at is never good."""

    WRONG = "wrong"
    DOUBTFUL = "doubtful"
    UNTOLD = "could not be told"
    GOOD = "good"


class Topic(StrEnum):
    """What is looked at, in this order."""

    SERVICE = "service"
    DAEMON = "daemon"
    WATCHDOG = "watchdog"
    PINS = "pins"
    BUS = "bus"
    CLOCK = "clock"
    DISK = "disk"
    JOURNAL = "journal"
    MACHINE = "machine"
    BROKER = "broker"
    SECRETS = "secrets"
    SOFTWARE = "software"


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing that was looked at.

    Attributes:
        looked_at: The thing, in a few words.
        seen: What was seen of it.
        means: What that means here; empty where it is good.
        todo: What to do about it; empty where it is good.
    """

    topic: Topic
    state: State
    looked_at: str
    seen: str
    means: str = ""
    todo: str = ""


def _teller(state: State) -> Callable[[Topic, str, str, str, str], Finding]:
    """Return what makes findings of *state* that call for something."""

    def tell(topic: Topic, looked_at: str, seen: str, means: str, todo: str) -> Finding:
        return Finding(
            topic=topic,
            state=state,
            looked_at=looked_at,
            seen=seen,
            means=means,
            todo=todo,
        )

    return tell


wrong = _teller(State.WRONG)
"""Something that has to be put right: topic, looked at, seen, means, to do."""

doubtful = _teller(State.DOUBTFUL)
"""Something that works, and that somebody should look into."""

untold = _teller(State.UNTOLD)
"""Something that could not be looked at."""


def good(topic: Topic, looked_at: str, seen: str) -> Finding:
    """Return something that was looked at and is as it should be."""
    return Finding(topic=topic, state=State.GOOD, looked_at=looked_at, seen=seen)


def worst_first(findings: list[Finding]) -> list[Finding]:
    """Return them by state, then by topic, as they came."""
    states, topics = list(State), list(Topic)
    return sorted(
        findings, key=lambda f: (states.index(f.state), topics.index(f.topic))
    )
