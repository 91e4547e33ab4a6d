"""A strict controller of the Homie convention, version 5.0.0, of 11 May 2025.

Written from the convention's text alone (homieiot/convention, "convention.md"): it
shares no code with the publisher. It is told every message seen, in order, and notes
whatever the convention forbids. Rules that are ours, not the convention's, are marked.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass, field
from typing import Any

ID = re.compile(r"[a-z0-9-]+\Z")
STATES = {"init", "ready", "disconnected", "sleeping", "lost"}
MAY_CHANGE = {None, "init", "disconnected", "lost"}
DATATYPES = {
    *("integer", "float", "boolean", "string", "enum", "color", "datetime"),
    *("duration", "json"),
}
DEVICE_KEYS = {
    *("homie", "version", "name", "type", "nodes", "children", "root", "parent"),
    "extensions",
}
PROPERTY_KEYS = {"datatype", "name", "format", "settable", "retained", "unit"}
UNITS = {
    *("°C", "°F", "°", "L", "gal", "V", "W", "kW", "kWh", "A", "Hz", "rpm", "%", "m"),
    *("m³", "ft", "m/s", "kn", "Pa", "psi", "ppm", "s", "min", "h", "lx", "K", "MK⁻¹"),
    "#",
}
LEVELS = {"debug", "info", "warn", "error", "fatal"}


@dataclass
class Known:
    """What is known of one device."""

    state: str | None = None
    description: dict[str, Any] | None = None
    raw: bytes = b""
    values: dict[tuple[str, str], bytes] = field(default_factory=dict)
    targets: dict[tuple[str, str], bytes] = field(default_factory=dict)
    alerts: dict[str, bytes] = field(default_factory=dict)


@dataclass
class Controller:
    """Is told every message, in order.

    Attributes:
        faults: What is forbidden and was seen.
    """

    domain: str = "homie"
    faults: list[str] = field(default_factory=list)
    devices: dict[str, Known] = field(default_factory=dict)

    def take(
        self,
        topic: str,
        payload: bytes,
        *,
        retained: bool,
        qos: int = 1,
        expiry: int | None = None,
        is_stored: bool = False,
    ) -> None:
        """Judge one message; *is_stored*: the broker kept it, order says nothing."""
        levels = topic.split("/")
        if levels[:2] != [self.domain, "5"]:
            return
        if levels[2] == "$broadcast":
            self._no(retained, f"{topic} is retained")
            return
        device, rest = levels[2], levels[3:]
        self._no(not ID.match(device), f"{topic}: device id {device!r}")
        if not rest:
            self._fault(f"{topic} is no topic of the convention")
            return
        known = self.devices.setdefault(device, Known())
        if rest[0] == "$state" and len(rest) == 1:
            self._state(device, known, payload, retained=retained, expiry=expiry)
        elif rest[0] == "$description" and len(rest) == 1:
            self._description(
                device, known, payload, retained=retained, is_stored=is_stored
            )
        elif rest[0] == "$alert" and len(rest) == 2:
            self._no(not retained, f"{topic} is not retained")
            self._no(not ID.match(rest[1]), f"{topic}: alert id {rest[1]!r}")
            self._text(topic, payload)
            known.alerts[rest[1]] = payload
        elif rest[0] == "$log" and len(rest) == 2:
            self._no(rest[1] not in LEVELS, f"{topic}: level {rest[1]!r}")
        elif rest[0].startswith("$"):
            self._fault(f"{topic}: the convention has no {rest[0]}")
        else:
            self._value(topic, known, rest, payload, retained=retained, expiry=expiry)
        self._no(qos not in {0, 1, 2}, f"{topic}: QoS {qos}")

    # --- states --------------------------------------------------------------------

    def _state(
        self,
        device: str,
        known: Known,
        payload: bytes,
        *,
        retained: bool,
        expiry: int | None,
    ) -> None:
        self._no(not retained, f"{device}: $state is not retained")
        if not payload:
            known.state = None
            return
        said = payload.decode("utf-8", "replace")
        self._no(said not in STATES, f"{device}: $state {said!r}")
        if said == "ready":
            self._no(known.description is None, f"{device}: ready, not described")
            # Ours: what claims life must run out.
            self._no(expiry is None, f"{device}: ready without an expiry")
            for child in (known.description or {}).get("children", ()):
                of = self.devices.get(child)
                is_known = of is not None and of.description is not None
                self._no(not is_known, f"{device}: ready, child {child} not described")
        known.state = said

    # --- descriptions --------------------------------------------------------------

    def _description(
        self,
        device: str,
        known: Known,
        payload: bytes,
        *,
        retained: bool,
        is_stored: bool,
    ) -> None:  # fmt: skip
        self._no(not retained, f"{device}: $description is not retained")
        if not payload:
            known.description, known.raw = None, b""
            return
        if payload != known.raw and not is_stored:
            self._no(
                known.state not in MAY_CHANGE,
                f"{device}: described anew while {known.state}",
            )
        try:
            told = json.loads(payload)
        except ValueError:
            self._fault(f"{device}: $description is no JSON")
            return
        if known.description is not None and payload != known.raw:
            same = told.get("version") == known.description.get("version")
            self._no(same, f"{device}: another description, the same version")
        known.description, known.raw = told, payload
        self._no(not isinstance(told, dict), f"{device}: $description is no object")
        self._no(bool(told.keys() - DEVICE_KEYS), f"{device}: unknown keys")
        is_5 = re.fullmatch(r"5\.\d+", str(told.get("homie")))
        self._no(is_5 is None, f"{device}: homie {told.get('homie')!r}")
        version = told.get("version")
        self._no(not isinstance(version, int), f"{device}: version {version!r}")
        self._family(device, told)
        for node, of_node in told.get("nodes", {}).items():
            self._no(not ID.match(node), f"{device}: node id {node!r}")
            odd = of_node.keys() - {"name", "type", "properties"}
            self._no(bool(odd), f"{device}/{node}: unknown keys {odd}")
            for name, of in of_node.get("properties", {}).items():
                self._property(f"{device}/{node}/{name}", name, of)

    def _family(self, device: str, told: dict[str, Any]) -> None:
        children, root = told.get("children", []), told.get("root")
        for child in children:
            self._no(not ID.match(child), f"{device}: child id {child!r}")
        self._no(device in children, f"{device} is its own child")
        self._no(root == device, f"{device} is its own root")
        self._no("parent" in told and root is None, f"{device}: a parent, no root")
        if root is not None:
            of = self.devices.get(root)
            listed = (of.description or {}).get("children", []) if of else [device]
            self._no(device not in listed, f"{root} does not know its child {device}")

    def _property(self, where: str, name: str, of: dict[str, Any]) -> None:
        self._no(not ID.match(name), f"{where}: property id")
        self._no(bool(of.keys() - PROPERTY_KEYS), f"{where}: unknown keys")
        kind, form = of.get("datatype"), of.get("format")
        self._no(kind not in DATATYPES, f"{where}: datatype {kind!r}")
        self._no(None in of.values(), f"{where}: null")
        unit = of.get("unit")
        # Ours: units that every controller must understand, and no others.
        self._no(unit is not None and unit not in UNITS, f"{where}: unit {unit!r}")
        if kind == "enum":
            words = (form or "").split(",")
            self._no(not form or len(words) != len(set(words)), f"{where}: {form!r}")
        elif kind == "boolean" and form is not None:
            words = form.split(",")
            self._no(len(words) != 2 or words[0] == words[1], f"{where}: {form!r}")
        elif kind in {"integer", "float"} and form is not None:
            number = r"-?\d+(\.\d+)?" if kind == "float" else r"-?\d+"
            pattern = rf"({number})?:({number})?(:{number})?"
            self._no(not re.fullmatch(pattern, form), f"{where}: format {form!r}")
        elif kind == "json" and form is not None:
            try:
                json.loads(form)
            except ValueError:
                self._fault(f"{where}: format is no JSON Schema")

    # --- values --------------------------------------------------------------------

    def _value(
        self,
        topic: str,
        known: Known,
        rest: list[str],
        payload: bytes,
        *,
        retained: bool,
        expiry: int | None,
    ) -> None:  # fmt: skip
        if len(rest) < 2 or any(not ID.match(each) for each in rest[:2]):
            self._fault(f"{topic} is no topic of the convention")
            return
        key = (rest[0], rest[1])
        tail = rest[2:]
        if tail not in ([], ["set"], ["$target"]):
            self._fault(f"{topic} is no topic of the convention")
            return
        of = self._described(known, *key)
        if tail == ["set"]:
            self._no(retained, f"{topic}: a retained command")
            self._no(
                of is not None and not of.get("settable", False),
                f"{topic}: a command for what is not settable",
            )
            return
        keeps = True if of is None else of.get("retained", True)
        self._no(bool(tail) and not retained, f"{topic} is not retained")
        if not tail:
            self._no(keeps != retained, f"{topic}: retained {retained}, not {keeps}")
        if not payload:
            self._no(not retained, f"{topic}: empty and not retained")
            known.values.pop(key, None)
            return
        if of is None:
            self._no(known.state == "ready", f"{topic}: not described, device ready")
            return
        self._payload(topic, of, payload)
        if tail:
            known.targets[key] = payload
            return
        if retained and of.get("datatype") in {"integer", "float"}:
            # Ours: a number that nobody refreshes must go.
            self._no(expiry is None, f"{topic}: a number without an expiry")
        known.values[key] = payload

    def _described(self, known: Known, node: str, name: str) -> dict[str, Any] | None:
        nodes = (known.description or {}).get("nodes", {})
        found = nodes.get(node, {}).get("properties", {}).get(name)
        return found if isinstance(found, dict) else None

    def _payload(self, topic: str, of: dict[str, Any], payload: bytes) -> None:
        self._text(topic, payload)
        text = payload.decode("utf-8", "replace")
        kind, form = of["datatype"], of.get("format")
        said = f"{topic}: {text[:60]!r} is no {kind} {form or ''}"
        match kind:
            case "integer":
                legal = re.fullmatch(r"-?[0-9]+", text) is not None
                self._no(not legal or not _within(text, form, 64), said)
            case "float":
                pattern = r"-?[0-9]+(\.[0-9]+)?([eE]-?[0-9]+)?"
                legal = re.fullmatch(pattern, text) is not None
                self._no(not legal or not _within(text, form, None), said)
            case "boolean":
                self._no(text not in {"true", "false"}, said)
            case "enum":
                self._no(text not in str(form).split(","), said)
            case "datetime":
                pattern = r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)"
                self._no(re.fullmatch(pattern, text) is None, said)
            case "duration":
                pattern = r"PT(?=.)(\d+H)?(\d+M)?(\d+S)?"
                self._no(re.fullmatch(pattern, text) is None, said)
            case "json":
                try:
                    self._no(not isinstance(json.loads(text), dict | list), said)
                except ValueError:
                    self._fault(said)
            case _:
                pass

    def _text(self, topic: str, payload: bytes) -> None:
        try:
            payload.decode()
        except UnicodeDecodeError:
            self._fault(f"{topic} is no UTF-8")

    def _no(self, is_wrong: object, text: str) -> None:
        if is_wrong:
            self._fault(text)

    def _fault(self, text: str) -> None:
        if text not in self.faults:
            self.faults.append(text)


def _within(text: str, form: str | None, bits: int | None) -> bool:
    value = float(text) if bits is None else int(text)
    if bits is not None and not -(2 ** (bits - 1)) <= value < 2 ** (bits - 1):
        return False
    least, most, *_ = [*(form or ":").split(":"), ""]
    return not (
        (least and value < float(least)) or (most and value > float(most))
    )  # fmt: skip
