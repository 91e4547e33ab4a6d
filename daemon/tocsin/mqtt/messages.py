"""From facts and snapshots to messages. Pure."""

from __future__ import annotations

import hashlib
import json
import re
import unicodedata
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from tocsin.clock import iso_time
from tocsin.wire import fact_json

if TYPE_CHECKING:
    from collections.abc import Mapping

    from tocsin.core.events import Fact

ONLINE, OFFLINE = b"online", b"offline"

ONLINE_EXPIRES_S = 60
"""How long the broker keeps ``online`` if it is not said again."""

STATE_EXPIRES_S = 120
"""Likewise for the snapshot: an old picture must not pass for a new one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """One message; an empty retained payload removes what the broker keeps.

    Attributes:
        expires_s: The broker drops it after this long; None to keep it.
    """

    topic: str
    payload: bytes
    is_retained: bool = True
    expires_s: int | None = None


@dataclass(frozen=True, slots=True)
class Topics:
    """Topic names of one site (MQTT 5.0, OASIS, section 4.7).

    Attributes:
        root: Base and site, without a trailing slash.
    """

    root: str

    @classmethod
    def of(cls, base: str, site: str) -> Topics:
        """Return the topics of a site."""
        return cls(f"{base}/{slug(site)}")

    @property
    def availability(self) -> str:
        """Return where the daemon says that it lives."""
        return f"{self.root}/availability"

    @property
    def snapshot(self) -> str:
        """Return where the newest picture is."""
        return f"{self.root}/snapshot"

    @property
    def events(self) -> str:
        """Return where every fact is told once."""
        return f"{self.root}/events"

    def alarm(self, alarm: str, subject: str) -> str:
        """Return where one alarm is; all cells of a pack share its alarm."""
        whose = subject.split("/", maxsplit=1)[0]
        return f"{self.root}/alarms/{level(alarm)}/{level(whose)}"

    def output(self, output: str) -> str:
        """Return where one output is."""
        return f"{self.root}/outputs/{level(output)}"

    @property
    def kept(self) -> tuple[str, ...]:
        """Return filters of the topics that may be left over from another run."""
        return (f"{self.root}/alarms/#", f"{self.root}/outputs/#")


def slug(name: str) -> str:
    """Return *name* as one lower-case topic level of letters, digits and dashes."""
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode()
    words = re.sub(r"[^a-z0-9]+", "-", plain.lower()).strip("-")
    return words or f"site-{hashlib.sha256(name.encode()).hexdigest()[:8]}"


def level(text: str) -> str:
    """Return *text* as one topic level; different texts stay different."""
    return quote(text, safe=" ") or "%"


def availability(topics: Topics, *, is_online: bool) -> Message:
    """Return the message that says whether the daemon decides."""
    return Message(
        topic=topics.availability,
        payload=ONLINE if is_online else OFFLINE,
        expires_s=ONLINE_EXPIRES_S if is_online else None,
    )


def states(topics: Topics, snapshot: Mapping[str, Any]) -> dict[str, Message]:
    """Return every retained message that *snapshot* calls for, by topic."""
    messages = [
        Message(
            topic=topics.snapshot, payload=_json(snapshot), expires_s=STATE_EXPIRES_S
        )
    ]
    for alarm in snapshot.get("alarms", ()):
        topic = topics.alarm(alarm["alarm"], alarm["subject"])
        messages.append(Message(topic=topic, payload=_json(alarm)))
    for output in snapshot.get("outputs", ()):
        topic = topics.output(output["output"])
        messages.append(Message(topic=topic, payload=_json(output)))
    return {message.topic: message for message in messages}


def event(topics: Topics, fact: Fact, *, number: int, wall_ms: int) -> Message:
    """Return the message of one fact; *number* grows by one from fact to fact."""
    stamped = {"seq": number, "at": iso_time(wall_ms), **fact_json(fact)}
    return Message(topic=topics.events, payload=_json(stamped), is_retained=False)


def loss(topics: Topics, count: int, *, number: int, wall_ms: int) -> Message:
    """Return the message that says how many events were not sent."""
    text = f"{count} events were not sent: the broker was away for too long"
    stamped = {"seq": number, "at": iso_time(wall_ms), "kind": "note"}
    stamped |= {"what": "mqtt-loss", "text": text, "lost": count}
    return Message(topic=topics.events, payload=_json(stamped), is_retained=False)


def removal(topic: str) -> Message:
    """Return the message that makes the broker forget *topic* (section 3.3.1.3)."""
    return Message(topic=topic, payload=b"")


def _json(what: Mapping[str, Any]) -> bytes:
    return json.dumps(what, separators=(",", ":")).encode()
