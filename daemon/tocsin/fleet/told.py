"""What a site told, read strictly: from a topic and a payload to a row. Pure."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any, TypeAlias

if TYPE_CHECKING:
    from tocsin.mqtt.commands import Heard

LONGEST_EPOCH = 80
LARGEST_SEQ = 2**63 - 1
KINDS = ("alarm", "output", "source", "command", "note", "proof")
STATES = ("init", "ready", "disconnected", "sleeping", "lost")

TOPIC = re.compile(
    r"(?P<site>[a-z0-9-]{1,64})/5/(?P=site)"
    r"/(?P<what>\$state|events/event|fleet/summary)"
)
EVENTS, SUMMARY, STATE = "events/event", "fleet/summary", "$state"

FILTERS = {f"+/5/+/{EVENTS}": 1, f"+/5/+/{SUMMARY}": 0, f"+/5/+/{STATE}": 0}
"""What is listened to. A summary or state that is lost is followed by another within a
minute; were they kept for whoever is away, they would crowd out events."""


class BadMessageError(Exception):
    """A message that cannot be read; the text says why."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One row of a site's journal, and the message that brought it."""

    site: str
    epoch: str
    seq: int
    at: datetime
    kind: str
    detail: str
    heard: Heard


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """One site in short, as of one minute."""

    site: str
    epoch: str
    seq: int
    at: datetime
    name: str
    detail: str
    heard: Heard


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """What a site's ``$state`` became."""

    site: str
    state: str
    heard: Heard


@dataclass(frozen=True, slots=True, kw_only=True)
class Aside:
    """A message set aside, and why."""

    heard: Heard
    reason: str


Told: TypeAlias = Event | Summary | State


def read(heard: Heard) -> Told:
    """Return what *heard* says.

    Raises:
        BadMessageError: nothing that can be stored.
    """
    match = TOPIC.fullmatch(heard.topic)
    if match is None:
        raise BadMessageError("no topic of a site's own tree")
    site, what = match["site"], match["what"]
    if what == STATE:
        return State(site=site, state=_state(heard.payload), heard=heard)
    text, told = _object(heard.payload)
    key: dict[str, Any] = {
        "site": site,
        "epoch": _epoch(told),
        "seq": _seq(told),
        "at": _at(told),
    }
    if what == SUMMARY:
        name = told.get("name")
        if not isinstance(name, str):
            raise BadMessageError("name is no text")
        return Summary(**key, name=name, detail=text, heard=heard)
    kind = told.get("kind")
    if kind not in KINDS:
        raise BadMessageError(f"kind is none of {', '.join(KINDS)}")
    return Event(**key, kind=kind, detail=text, heard=heard)


def _state(payload: bytes) -> str:
    said = payload.decode("utf-8", "replace")
    if not said:
        return "removed"
    if said not in STATES:
        raise BadMessageError(f"state is none of {', '.join(STATES)}")
    return said


def _object(payload: bytes) -> tuple[str, dict[str, Any]]:
    try:
        text = payload.decode("utf-8")
        told = json.loads(text, parse_constant=_no_number)
    except (ValueError, RecursionError) as exc:
        raise BadMessageError("no JSON in UTF-8") from exc
    if not isinstance(told, dict):
        raise BadMessageError("no JSON object")
    return text, told


def _no_number(word: str) -> None:
    raise ValueError(f"{word} is no number of JSON")


def _epoch(told: dict[str, Any]) -> str:
    epoch = told.get("epoch")
    if not isinstance(epoch, str) or not 0 < len(epoch) <= LONGEST_EPOCH:
        raise BadMessageError(f"epoch is no text of 1 to {LONGEST_EPOCH} letters")
    if not epoch.isprintable() or not epoch.isascii():
        raise BadMessageError("epoch has letters that no epoch has")
    return epoch


def _seq(told: dict[str, Any]) -> int:
    seq = told.get("seq")
    if not isinstance(seq, int) or isinstance(seq, bool) or not 0 < seq <= LARGEST_SEQ:
        raise BadMessageError("seq is no whole number from 1")
    return seq


def _at(told: dict[str, Any]) -> datetime:
    at = told.get("at")
    try:
        moment = datetime.fromisoformat(at) if isinstance(at, str) else None
    except ValueError:
        moment = None
    if moment is None or moment.tzinfo is None:
        raise BadMessageError("at is no date and time with a zone, of ISO 8601")
    return moment
