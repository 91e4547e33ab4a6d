"""Every value that is published: one table, from which the rest is made. Pure.

Datatypes, units and flags are those of Homie 5. Retained and not settable is a
measured state; settable and not retained is a command; neither is an event.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from enum import StrEnum
from functools import cache
from typing import TYPE_CHECKING, Any

from tocsin.core.events import Verb

if TYPE_CHECKING:
    from collections.abc import Mapping


class Datatype(StrEnum):
    """The datatypes of the convention that are used here."""

    INTEGER = "integer"
    FLOAT = "float"
    BOOLEAN = "boolean"
    STRING = "string"
    ENUM = "enum"
    DATETIME = "datetime"
    JSON = "json"


@dataclass(frozen=True, slots=True, kw_only=True)
class Property:
    """One value of a node.

    Attributes:
        id: The last level of its topic.
        name: For people.
        about: What it means, for the documentation.
        unit: A unit of the convention, or empty.
        format: As the convention has it for the datatype.
        decimals: Of a float.
        band: Changes smaller than this wait for the next refresh.
        quantity: What kind of thing it is, in one word, for announcements.
        goal: It bears a ``$target``.
    """

    id: str
    name: str
    about: str
    datatype: Datatype
    unit: str = ""
    format: str = ""
    decimals: int = 0
    band: float = 0.0
    quantity: str = ""
    is_settable: bool = False
    is_retained: bool = True
    goal: bool = False

    def described(self) -> dict[str, Any]:
        """Return its part of a ``$description``."""
        told: dict[str, Any] = {"name": self.name, "datatype": self.datatype.value}
        told |= {"unit": self.unit} if self.unit else {}
        told |= {"format": self.format} if self.format else {}
        told |= {"settable": True} if self.is_settable else {}
        told |= {} if self.is_retained else {"retained": False}
        return told


@dataclass(frozen=True, slots=True, kw_only=True)
class Node:
    """Values that belong together."""

    id: str
    name: str
    properties: tuple[Property, ...] = ()
    by_id: Mapping[str, Property] = field(init=False, compare=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "by_id", {each.id: each for each in self.properties})

    def described(self) -> dict[str, Any]:
        """Return its part of a ``$description``."""
        properties = {each.id: each.described() for each in self.properties}
        return {"name": self.name, "properties": properties}


def _float(key: str, name: str, about: str, **more: Any) -> Property:  # noqa: ANN401 fields of Property
    return Property(id=key, name=name, about=about, datatype=Datatype.FLOAT, **more)


def _text(key: str, name: str, about: str, **more: Any) -> Property:  # noqa: ANN401 fields of Property
    return Property(id=key, name=name, about=about, datatype=Datatype.STRING, **more)


def _enum(key: str, name: str, about: str, *words: str) -> Property:
    return Property(
        id=key, name=name, about=about, datatype=Datatype.ENUM, format=",".join(words)
    )


def _json(key: str, name: str, about: str, schema: str, **more: Any) -> Property:  # noqa: ANN401 fields of Property
    return Property(
        id=key, name=name, about=about, datatype=Datatype.JSON, format=schema, **more
    )


OBJECT = '{"type":"object"}'
ARRAY = '{"type":"array"}'


def cell(number: int) -> Property:
    """Return the voltage of one cell."""
    return _float(
        f"c{number:02d}", f"Cell {number}", "Voltage of one cell.",
        unit="V", decimals=3, band=0.002, quantity="voltage",
    )  # fmt: skip


def temperature(number: int) -> Property:
    """Return one temperature."""
    return _float(
        f"t{number}", f"Temperature {number}", "One temperature of the pack.",
        unit="°C", decimals=1, band=0.2, quantity="temperature",
    )  # fmt: skip


PACK = Node(
    id="pack",
    name="Pack",
    properties=(
        _float(
            "voltage", "Voltage", "At the pack's terminals.",
            unit="V", decimals=2, band=0.05, quantity="voltage",
        ),
        _float(
            "current", "Current", "Positive while charging.",
            unit="A", decimals=2, band=0.1, quantity="current",
        ),
        _float(
            "soc", "State of charge", "The pack's own counter, which drifts.",
            unit="%", format="0:100", decimals=1, band=0.5, quantity="charge",
        ),
        _float(
            "lowest-cell", "Lowest cell", "Voltage of the lowest cell.",
            unit="V", decimals=3, band=0.002, quantity="voltage",
        ),
        Property(
            id="lowest-cell-number", name="Lowest cell, number",
            about="Which cell that is.", datatype=Datatype.INTEGER, format="1:",
        ),
        _float(
            "highest-cell", "Highest cell", "Voltage of the highest cell.",
            unit="V", decimals=3, band=0.002, quantity="voltage",
        ),
        Property(
            id="highest-cell-number", name="Highest cell, number",
            about="Which cell that is.", datatype=Datatype.INTEGER, format="1:",
        ),
        _float(
            "cell-spread", "Cell spread",
            "Highest less lowest cell, of one sample. Do not work it out from the "
            "cells' own topics: they are of different moments.",
            unit="V", format="0:", decimals=3, band=0.002, quantity="voltage",
        ),
        _float(
            "coldest", "Coldest", "The lowest temperature.",
            unit="°C", decimals=1, band=0.2, quantity="temperature",
        ),
        _float(
            "hottest", "Hottest", "The highest temperature.",
            unit="°C", decimals=1, band=0.2, quantity="temperature",
        ),
        _float(
            "charge-allowed", "Allowed charge current",
            "What the coldest cell allows now; 0 while it is too cold to charge.",
            unit="A", format="0:", decimals=1, band=0.1, quantity="current",
        ),
        _enum(
            "quality", "Quality",
            "good; partial: the last poll failed; old: too old to be used.",
            "good", "partial", "old",
        ),
        Property(
            id="sampled-at", name="Sampled at",
            about="When the values were read, by the daemon's clock; within 10 s.",
            datatype=Datatype.DATETIME,
        ),
        _text("trouble", "Trouble", "Why it cannot be read; empty if it can."),
    ),
)  # fmt: skip

MINUTES: dict[str, Any] = {
    "unit": "min",
    "format": "0:",
    "decimals": 1,
    "band": 0.1,
    "quantity": "duration",
}
FORETOLD = (
    _enum(
        "outlook", "Outlook",
        "Whether the likely time is known, and within a day. A topic of minutes "
        "that are not is removed.",
        "foretold", "not-within-a-day", "unknown",
    ),
    _float("early", "Early", "One future in twenty comes sooner.", **MINUTES),
    _float("likely", "Likely", "Half of the futures come sooner.", **MINUTES),
    _float("late", "Late", "One future in twenty comes later.", **MINUTES),
    _text("subject", "Subject", "The cell that gets there first, as in left/7."),
    _text("reason", "Reason", "Why it is not known; empty if it is."),
)  # fmt: skip
FORECASTS = (
    Node(id="low", name="Time to the low cut-off", properties=FORETOLD),
    Node(id="high", name="Time to the high cut-off", properties=FORETOLD),
    Node(id="cold", name="Time until too cold to charge", properties=FORETOLD),
    Node(id="hot", name="Time until too hot to charge", properties=FORETOLD),
    Node(id="hot-load", name="Time until too hot to use", properties=FORETOLD),
)
SAMPLE = Node(
    id="sample",
    name="One sample, whole",
    properties=(
        _json(
            "all", "All values of one sample",
            "Everything the pack said at one moment, so nothing in it is of two.",
            OBJECT,
        ),
    ),
)  # fmt: skip

SERVICE = Node(
    id="service",
    name="Service",
    properties=(
        Property(
            id="heartbeat", name="Last decision",
            about="When the daemon last decided; refreshed every 30 s by the loop "
            "that decides, by nothing else.",
            datatype=Datatype.DATETIME,
        ),
        _text("version", "Version", "Of the daemon."),
    ),
)  # fmt: skip
ALARM = Node(
    id="alarm",
    name="Alarms",
    properties=(
        _enum(
            "level", "Worst alarm", "The highest priority that is raised.",
            "none", "low", "medium", "high",
        ),
        Property(
            id="count", name="Raised alarms", about="How many are raised.",
            datatype=Datatype.INTEGER, unit="#", format="0:",
        ),
        _text("text", "What to do", "The message of the worst alarm."),
        _json(
            "list", "Every alarm that is not normal",
            "Alarm, state, priority, subject, since, message. Commands use the names.",
            ARRAY,
        ),
    ),
)  # fmt: skip
BANK = Node(
    id="bank",
    name="Bank",
    properties=(
        _float(
            "minutes-left", "Minutes left",
            "Likely time to the first low cut-off of any pack. Removed while none is "
            "foretold.",
            **MINUTES,
        ),
        _json(
            "snapshot", "All that is seen and demanded",
            "The same object as `tocsin show SITE --json`; every 10 s, and with every "
            "change of an alarm or an output.",
            OBJECT,
        ),
    ),
)  # fmt: skip
EVENTS = Node(
    id="events",
    name="Events",
    properties=(
        _json(
            "event", "What happened",
            "Each row of the journal, in order and sent until the broker has it. A "
            "row may come twice: (epoch, seq) tells. QoS 1, later than it happened "
            "when the broker was away.",
            OBJECT,
            is_retained=False,
        ),
    ),
)  # fmt: skip
OUTPUT = (
    Property(
        id="energised", name="Energised",
        about="The level now. Its $target differs only while the output waits for its "
        "minimum time or its turn, and will go there by itself.",
        datatype=Datatype.BOOLEAN, format="de-energised,energised", goal=True,
    ),
    _text("because", "Because", "Names of alarms and reasons, with commas."),
    _text("role", "Role", "What the output is for."),
)  # fmt: skip

LONGEST_ID = 64
VERBS = (
    Verb.ACKNOWLEDGE,
    Verb.SILENCE,
    Verb.SHELVE,
    Verb.RESET,
    Verb.SOUNDER_TEST,
    Verb.GENERATOR_REQUEST,
    Verb.GENERATOR_RELEASE,
)
"""What may be asked over MQTT. None of them energises a permit."""


def command_schema() -> dict[str, Any]:
    """Return the JSON Schema of what a command's topic takes."""
    return {
        "type": "object",
        "required": ["id", "at"],
        "additionalProperties": False,
        "properties": {
            "id": {"type": "string", "minLength": 1, "maxLength": LONGEST_ID},
            "at": {"type": "string", "maxLength": 40},
            "by": {"type": "string", "maxLength": 40},
            "alarm": {"type": "string", "maxLength": 64},
            "subject": {"type": "string", "maxLength": 140},
            "reason": {"type": "string", "maxLength": 200},
            "for_s": {"type": "number", "minimum": 0, "maximum": 86_400},
        },
    }


ABOUT_VERB = {
    Verb.ACKNOWLEDGE: "I have seen it. Without `alarm`, all of them.",
    Verb.SILENCE: "Stop the sound for `for_s`, an hour at most; a new alarm sounds.",
    Verb.SHELVE: "Hide `alarm` for `for_s`, with a `reason`; permits still drop.",
    Verb.RESET: "Release the latch of `alarm`, whose cause has gone.",
    Verb.SOUNDER_TEST: "One burst of the horn, if no alarm sounds.",
    Verb.GENERATOR_REQUEST: "Ask for the generator for `for_s`, an hour if not said.",
    Verb.GENERATOR_RELEASE: "Ask for it no longer; a rule still may.",
}
COMMAND = Node(
    id="command",
    name="Commands",
    properties=(
        *(
            _json(
                verb.value, verb.value.replace("-", " ").capitalize(),
                ABOUT_VERB[verb],
                json.dumps(command_schema(), separators=(",", ":")),
                is_settable=True,
                is_retained=False,
            )
            for verb in VERBS
        ),
        _json(
            "last", "Last command and its result",
            "Id, verb, whether it was done, and why not.",
            OBJECT,
        ),
    ),
)  # fmt: skip


@cache
def cells(count: int) -> Node:
    """Return the node of a pack's cells."""
    numbers = range(1, count + 1)
    return Node(id="cells", name="Cells", properties=tuple(map(cell, numbers)))


@cache
def temperatures(count: int) -> Node:
    """Return the node of a pack's temperatures."""
    numbers = range(1, count + 1)
    return Node(
        id="temperatures",
        name="Temperatures",
        properties=tuple(map(temperature, numbers)),
    )
