"""Commands from the broker: what is obeyed, and why the rest is not. Pure.

Nothing here trusts a byte. A command must be live (not retained), small, a JSON object
of known keys, dated within `WINDOW_MS` of our clock, with an id that was not used
within it, and within its verb's rate. Nothing that passes can energise a permit: the
core has no such verb.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

from tocsin.mqtt.properties import VERBS, command_schema

if TYPE_CHECKING:
    from collections.abc import Mapping

    from tocsin.core.events import Verb

LONGEST = 1_024
"""Bytes of a payload."""

WINDOW_MS = 60_000
"""A command may be so old, or so far ahead of our clock."""

BURST = 5
EVERY_MS = 60_000
"""Five a minute of each verb; common practice, no source."""

REMEMBERED = 4 * BURST * len(VERBS)
"""More ids than can pass within twice the window."""

LONGEST_TOPIC = 200
LONGEST_CORRELATION = 128
DEEPEST = 8

_ID = re.compile(r"[A-Za-z0-9_.:-]{1,64}")
_AT = re.compile(
    r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:\.\d{1,9})?(?:Z|[+-]\d\d:\d\d)", re.ASCII
)
_LIMITS: Mapping[str, Mapping[str, Any]] = command_schema()["properties"]


class RefusedError(Exception):
    """A command that is not obeyed; the text says why, and repeats nothing of it.

    Attributes:
        id: The command's id, if it had a sound one.
        is_silent: Nobody is answered: it may be the broker that speaks.
    """

    def __init__(self, why: str, *, key: str = "", is_silent: bool = False) -> None:
        super().__init__(why)
        self.id = key
        self.is_silent = is_silent


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """A message as it came from the broker.

    Attributes:
        is_retained: The broker kept it, or whoever sent it wanted it kept.
        reply_to: MQTT 5 response topic, or empty.
        correlation: MQTT 5 correlation data.
        number: What the broker calls it until it is acknowledged; 0 where nobody asks
            for that.
        turn: On which connection it came, counted.
    """

    topic: str
    payload: bytes
    is_retained: bool = False
    reply_to: str = ""
    correlation: bytes | None = None
    number: int = 0
    turn: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """A command that may be put to the core."""

    id: str
    verb: Verb
    at_ms: int
    by: str = "mqtt"
    alarm: str = ""
    subject: str = ""
    reason: str = ""
    for_ms: int = 0


def parsed(heard: Heard, verb: Verb | None) -> Request:
    """Return the request that *heard* is.

    Raises:
        RefusedError: it is none.
    """
    if heard.is_retained:
        raise RefusedError("a retained command is never obeyed", is_silent=True)
    if verb not in VERBS:
        raise RefusedError("there is no such command")
    told = _object(heard.payload)
    key = told.get("id")
    if not isinstance(key, str) or not _ID.fullmatch(key):
        raise RefusedError("it needs an id of 1 to 64 letters, digits and . _ : -")
    if unknown := told.keys() - _LIMITS.keys():
        many = "an unknown key" if len(unknown) == 1 else f"{len(unknown)} unknown keys"
        raise RefusedError(f"it has {many}; known are {', '.join(_LIMITS)}", key=key)
    for name in ("by", "alarm", "subject", "reason"):
        _check_text(name, told.get(name, ""), key)
    by = told.get("by", "")
    return Request(
        id=key,
        verb=verb,
        at_ms=_time_ms(told.get("at"), key),
        by=f"mqtt {by}" if by else "mqtt",
        alarm=told.get("alarm", ""),
        subject=told.get("subject", ""),
        reason=told.get("reason", ""),
        for_ms=_for_ms(told.get("for_s", 0), key),
    )


def _object(payload: bytes) -> dict[str, Any]:
    if len(payload) > LONGEST:
        raise RefusedError(f"it is longer than {LONGEST} bytes")
    if payload.count(b"[") + payload.count(b"{") > DEEPEST:
        raise RefusedError("it is no plain JSON object")
    try:
        told = json.loads(payload.decode("utf-8"), object_pairs_hook=_once)
    except (ValueError, RecursionError) as exc:
        raise RefusedError("it is no JSON object with each key once") from exc
    if not isinstance(told, dict):
        raise RefusedError("it is no JSON object")
    return told


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """Return the object of *pairs*; two readers must not see two commands in it."""
    made = dict(pairs)
    if len(made) != len(pairs):
        raise ValueError("a key stands twice")
    return made


def _check_text(name: str, value: object, key: str) -> None:
    most = _LIMITS[name]["maxLength"]
    if not isinstance(value, str) or len(value) > most or not value.isprintable():
        raise RefusedError(f"{name} is no plain text of {most} letters", key=key)


def _time_ms(value: object, key: str) -> int:
    if isinstance(value, str) and _AT.fullmatch(value):
        try:
            return round(datetime.fromisoformat(value).timestamp() * 1000)
        except (ValueError, OverflowError):
            pass
    why = "it needs the time it was given, at, as 2026-01-16T18:00:00Z"
    raise RefusedError(why, key=key)


def _for_ms(value: object, key: str) -> int:
    most = _LIMITS["for_s"]["maximum"]
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    if not is_number or not 0 <= value <= most:  # type: ignore[operator]
        raise RefusedError(f"for_s is no number from 0 to {most}", key=key)
    return round(value * 1000)  # type: ignore[operator]


class Gate:
    """Lets each command through once, in time, and not too often."""

    def __init__(self) -> None:
        self._used: dict[str, int] = {}
        self._tokens: dict[Verb, tuple[float, int]] = {}

    def admit(self, request: Request, *, wall_ms: int, now_ms: int) -> None:
        """Count *request*; *now_ms* is the monotonic time.

        Raises:
            RefusedError: it is too old, used already, or one too many.
        """
        key = request.id
        off_ms = request.at_ms - wall_ms
        if abs(off_ms) > WINDOW_MS:
            side = "ahead of" if off_ms > 0 else "behind"
            seconds = abs(off_ms) // 1000
            raise RefusedError(f"its time is {seconds} s {side} our clock", key=key)
        if key in self._used:
            raise RefusedError("this id was used already", key=key)
        tokens, at_ms = self._tokens.get(request.verb, (float(BURST), now_ms))
        tokens = min(BURST, tokens + (now_ms - at_ms) * BURST / EVERY_MS)
        if tokens < 1:
            raise RefusedError(f"more than {BURST} {request.verb} a minute", key=key)
        self._tokens[request.verb] = tokens - 1, now_ms
        self._remember(key, now_ms)

    def _remember(self, key: str, now_ms: int) -> None:
        """Keep ids as long as their time could still be within the window.

        Ages are of the monotonic clock: setting the clock back forgets nothing.
        """
        old = [k for k, at_ms in self._used.items() if now_ms - at_ms > 2 * WINDOW_MS]
        for each in old:
            del self._used[each]
        while len(self._used) >= REMEMBERED:
            del self._used[next(iter(self._used))]
        self._used[key] = now_ms


def verb_of(topic: str, prefix: str) -> Verb | None:
    """Return which command *topic* is, below *prefix* (``.../command/``)."""
    if not (topic.startswith(prefix) and topic.endswith("/set")):
        return None
    word = topic[len(prefix) : -len("/set")]
    return next((verb for verb in VERBS if verb.value == word), None)


def may_answer(heard: Heard, prefix: str) -> bool:
    """Return True if an answer may go where *heard* asks: only below *prefix*.

    Otherwise a command could make us write on any topic that we may write on.
    """
    topic = heard.reply_to
    return (
        topic.startswith(prefix)
        and len(prefix) < len(topic) <= LONGEST_TOPIC
        and topic.isprintable()
        and not set(topic) & set("+#\0")
        and len(heard.correlation or b"") <= LONGEST_CORRELATION
    )
