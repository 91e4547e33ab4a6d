"""The strict controller is strict: what the convention forbids, it notes."""

from __future__ import annotations

import json
from typing import Any

import pytest

from homie5 import Controller

PROP = {"v": {"datatype": "float", "unit": "V"}}
TOLD: dict[str, Any] = {
    "homie": "5.0",
    "version": 1,
    "nodes": {"n": {"properties": PROP}},
}


def judged(*said: tuple[str, Any, bool]) -> list[str]:
    judge = Controller()
    for topic, payload, retained in said:
        data = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
        judge.take(f"homie/5/{topic}", data, retained=retained, expiry=60)
    return judge.faults


Said = tuple[str, Any, bool]
LIFE: tuple[Said, ...] = (("d/$state", b"init", True), ("d/$description", TOLD, True))
NEW: dict[str, Any] = {**TOLD, "version": 2}
READY: tuple[Said, ...] = (*LIFE, ("d/n/v", b"3.3", True), ("d/$state", b"ready", True))


def test_a_sound_life_is_not_complained_of() -> None:
    assert judged(*READY, ("d/n/v", b"3.4", True), ("d/n/v", b"", True)) == []


@pytest.mark.parametrize(
    ("said", "about"),
    [
        ([("d/$state", b"ready", True)], "ready, not described"),
        ([("d/$state", b"alert", True)], "$state 'alert'"),
        ([("d/$state", b"init", False)], "not retained"),
        ([*READY, ("d/$description", NEW, True)], "anew while"),
        ([*LIFE, ("d/$description", {**TOLD, "name": "x"}, True)], "same version"),
        ([*READY, ("d/n/w", b"1", True)], "not described"),
        ([*READY, ("d/n/v", b"x", True)], "is no float"),
        ([*READY, ("d/n/v", b"1", False)], "retained False"),
        ([*READY, ("d/n/v/set", b"1", False)], "not settable"),
        ([*READY, ("d/n/v/now", b"1", True)], "no topic of the convention"),
        ([*READY, ("d/$stats/x", b"1", True)], "no $stats"),
        ([("D/$state", b"init", True)], "device id"),
        ([("d/$alert/x_y", b"t", True)], "alert id"),
        ([("d/$description", {**TOLD, "homie": "4.0"}, True)], "homie '4.0'"),
        ([("d/$description", {**TOLD, "children": ["d"]}, True)], "its own child"),
        ([("d/$description", {**TOLD, "colour": 1}, True)], "unknown keys"),
        (
            [*LIFE, ("c/$description", {**TOLD, "root": "d"}, True)],
            "does not know its child",
        ),
    ],
)
def test_each_breach_is_noted(said: list[tuple[str, Any, bool]], about: str) -> None:
    assert any(about in fault for fault in judged(*said))
