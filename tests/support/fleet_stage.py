"""What sites of a fleet tell, made short."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from typing import Any, TypeVar

from tocsin.fleet.told import Event, State, Summary, read
from tocsin.mqtt.commands import Heard

BEGAN = datetime(2026, 1, 16, 18, tzinfo=UTC)


def heard(what: str, payload: Any, site: str = "hut", number: int = 0) -> Heard:
    data = payload if isinstance(payload, str) else json.dumps(payload)
    return Heard(topic=f"{site}/5/{site}/{what}", payload=data.encode(), number=number)


def _at(minute: int) -> str:
    return (BEGAN + timedelta(minutes=minute)).isoformat()


def event(
    seq: int, *, epoch: str = "e", site: str = "hut", minute: int = 0, detail: str = ""
) -> Event:
    told = {"epoch": epoch, "seq": seq, "at": _at(minute), "kind": "note", "text": "x"}
    text = json.dumps(told)
    if detail:
        text = f"{text[:-1]}, {detail[1:]}"
    return _read(heard("events/event", text, site), Event)


def summary(
    seq: int, *, epoch: str = "e", site: str = "hut", minute: int = 0, **more: Any
) -> Summary:
    told = {
        "epoch": epoch,
        "seq": seq,
        "at": _at(minute),
        "name": "Fern Ridge hut",
        "low": None,
        "alarm_count": 0,
        "alarms": [],
        "packs": [],
        "outputs": [],
        "proof_due": _at(525_600),
        **more,
    }
    return _read(heard("fleet/summary", told, site), Summary)


def state(said: str, site: str = "hut") -> State:
    return _read(heard("$state", said, site), State)


T = TypeVar("T", Event, Summary, State)


def _read(message: Heard, kind: type[T]) -> T:
    told = read(message)
    assert isinstance(told, kind)
    return told
