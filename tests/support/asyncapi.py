"""Judges messages by the AsyncAPI document that is shipped."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

import jsonschema

HERE = Path(__file__).parents[2] / "deploy" / "mqtt"


@cache
def document() -> dict[str, Any]:
    told: dict[str, Any] = json.loads((HERE / "asyncapi.json").read_text())
    return told


@dataclass
class Channel:
    key: str
    pattern: re.Pattern[str]
    schema: Any
    action: str
    mqtt: dict[str, Any]

    def judge(self, payload: bytes, *, retained: bool, expiry: int | None) -> str:
        """Return what is wrong; empty if nothing is."""
        if retained != self.mqtt["retain"]:
            return f"retained {retained}"
        if not payload:
            return "" if retained else "empty"
        bound = self.mqtt.get("messageExpiryInterval")
        if expiry is not None and (bound is None or expiry > bound):
            return f"expires after {expiry} s, documented: {bound}"
        if expiry is None and bound is not None and not self.key.endswith("state"):
            return f"never expires, documented: {bound}"
        text = payload.decode()
        told = text if self.schema.schema.get("type") == "string" else json.loads(text)
        found = next(iter(self.schema.iter_errors(told)), None)
        return "" if found is None else found.message[:200]


@cache
def channels() -> tuple[Channel, ...]:
    told = document()
    made = []
    for operation in told["operations"].values():
        key = operation["channel"]["$ref"].removeprefix("#/channels/")
        of = told["channels"][key]
        schema = of["messages"]["value"]["payload"]
        if "$ref" in schema:
            schema = json.loads((HERE / schema["$ref"]).read_text())
        made.append(
            Channel(
                key,
                _pattern(of["address"], told["components"]["parameters"]),
                jsonschema.Draft7Validator(schema),
                operation["action"],
                operation["bindings"]["mqtt"],
            )
        )
    return tuple(made)


def _pattern(address: str, parameters: dict[str, Any]) -> re.Pattern[str]:
    def hole(match: re.Match[str]) -> str:
        words = parameters[match[1]].get("enum")
        return f"({'|'.join(words)})" if words else "([^/$]+)"

    parts = re.split(r"(\{\w+\})", address)
    made = "".join(
        re.sub(r"\{(\w+)\}", hole, part) if part[:1] == "{" else re.escape(part)
        for part in parts
    )
    return re.compile(made)


@dataclass
class Recorder:
    """Is told every message.

    Attributes:
        seen: Channels that a message was seen on.
    """

    faults: list[str] = field(default_factory=list)
    seen: set[str] = field(default_factory=set)

    def take(
        self, topic: str, payload: bytes, *, retained: bool, expiry: int | None
    ) -> None:
        """Judge one message."""
        found = [each for each in channels() if each.pattern.fullmatch(topic)]
        if len(found) != 1:
            self.faults.append(f"{topic}: {len(found)} channels")
            return
        self.seen.add(found[0].key)
        if wrong := found[0].judge(payload, retained=retained, expiry=expiry):
            self.faults.append(f"{topic} {payload[:60]!r}: {wrong}")
