"""Commands by the thousand, and a second opinion on what may be obeyed."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import random

VERBS = (
    *("acknowledge", "silence", "shelve", "reset", "sounder-test"),
    *("generator-request", "generator-release"),
)
WORDS = (
    *("remove", "return", "unshelve", "permit", "charge", "energise", "", "SILENCE"),
    *("reset ", "last", "open", "close"),
)
KEYS = ("id", "at", "by", "alarm", "subject", "reason", "for_s")
TEXTS = ("", "low-cell", "right/11", "a\0b", "x" * 300, "é", "\ud800", "../..", "{}")
ODD: tuple[Any, ...] = (
    *(None, True, False, 0, -1, 1.5, 1e308, -1e308, 10**400, [], {}, [[]], "1"),
    *(float("nan"), float("inf"), "2026-01-16", {"id": 1}),
)
LONGEST = 1_024
WINDOW_MS = 60_000


def at(ms: int) -> str:
    return datetime.fromtimestamp(ms / 1000, UTC).isoformat().replace("+00:00", "Z")


def payload(chance: random.Random, wall_ms: int, number: int) -> bytes:
    """Return something random, or nearly a command, or one."""
    kind = chance.randrange(8)
    if kind == 0:
        return chance.randbytes(chance.randrange(0, 2_000))
    if kind == 1:
        return b"[" * chance.randrange(1, 1_500)
    text = json.dumps(_told(chance, wall_ms, number, kind))
    if kind == 5:
        text = text[:-1] + ', "alarm": "a", "alarm": "b"}'
    data = bytearray(text.encode("utf-8", "surrogatepass"))
    for _ in range(chance.randrange(1, 4) if kind == 6 else 0):
        data[chance.randrange(len(data))] = chance.randrange(256)
    return bytes(data)


def _told(
    chance: random.Random, wall_ms: int, number: int, kind: int
) -> dict[str, Any]:
    told: dict[str, Any] = {
        "id": f"c{number}",
        "at": at(wall_ms + chance.randrange(-90_000, 90_000)),
    }
    for key in KEYS[2:-1]:
        if chance.random() < 0.3:
            told[key] = chance.choice(TEXTS)
    if chance.random() < 0.5:
        told["for_s"] = chance.choice((0, 1, 60, 3_600, 90_000, -5, 0.5))
    if kind == 2:
        told[chance.choice((*KEYS, "permit", "verb", "do"))] = chance.choice(ODD)
    if kind == 3:
        told.pop(chance.choice(list(told)))
    if kind == 4:
        told["id"] = f"c{max(0, number - chance.randrange(1, 9))}"  # used before?
    return told


def may_be_obeyed(data: bytes, word: str, *, retained: bool, wall_ms: int) -> bool:
    """Return whether anything at all allows it; of rates and ids it knows nothing.

    Written apart from the daemon's parser, from TOPICS.md and command.json.
    """
    if retained or word not in VERBS or len(data) > LONGEST:
        return False
    twice: list[bool] = []

    def pairs(found: list[tuple[str, Any]]) -> dict[str, Any]:
        twice.append(len({key for key, _ in found}) < len(found))
        return dict(found)

    try:
        told = json.loads(data.decode(), object_pairs_hook=pairs)
        when = datetime.fromisoformat(told["at"])
        ok = (
            isinstance(told, dict)
            and not any(twice)
            and set(told) <= set(KEYS)
            and 1 <= len(told["id"]) <= 64
            and all(isinstance(told.get(k, ""), str) for k in KEYS[:-1])
            and len(told.get("reason", "")) <= 200
            and 0 <= told.get("for_s", 0) <= 86_400
            and not isinstance(told.get("for_s", 0), bool)
            and abs(when.timestamp() * 1000 - wall_ms) <= WINDOW_MS + 1
        )
    except (ValueError, KeyError, TypeError, RecursionError, OverflowError):
        return False
    return bool(ok)
