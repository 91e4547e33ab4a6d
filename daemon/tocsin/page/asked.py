"""A request and an answer, without any web library."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from tocsin.page.streams import written

if TYPE_CHECKING:
    from collections.abc import Mapping

    from tocsin.page.streams import Stream

LONGEST_BODY = 4_096
JSON = "application/json"


class NoError(Exception):
    """The answer is no; made into one by `Desk.answer`."""

    def __init__(self, status: int, why: str, **headers: str) -> None:
        super().__init__(why)
        self.status = status
        self.headers = headers


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What a browser asks. Header names are lower case; *peer* is its address."""

    method: str
    path: str
    query: Mapping[str, str] = field(default_factory=dict)
    headers: Mapping[str, str] = field(default_factory=dict)
    cookies: Mapping[str, str] = field(default_factory=dict)
    body: bytes = b""
    peer: str = ""

    def number(self, name: str, default: int, least: int, most: int) -> int:
        """Return a whole number of the query.

        Raises:
            NoError: it is none, or out of bounds.
        """
        text = self.query.get(name)
        if text is None:
            return default
        try:
            value = int(text) if len(text) < 20 and text.isascii() else None  # noqa: PLR2004
        except ValueError:
            value = None
        if value is None or not least <= value <= most:
            raise NoError(400, f"{name} is a whole number from {least} to {most}")
        return value

    def told(self, known: Mapping[str, type]) -> dict[str, Any]:
        """Return the JSON object of the body: only *known* names, each of its type.

        Raises:
            NoError: it is none.
        """
        if self.headers.get("content-type", "").partition(";")[0].strip() != JSON:
            raise NoError(415, f"say it as {JSON}")
        try:
            told = json.loads(self.body)
        except (ValueError, RecursionError):
            told = None
        if not isinstance(told, dict):
            raise NoError(400, "the body is no JSON object")
        for name, value in told.items():
            if name not in known:
                raise NoError(400, f"there are only {', '.join(known)}")
            if type(value) is not known[name]:
                raise NoError(400, f"{name} is no {WORDS[known[name]]}")
        return told


WORDS: dict[type, str] = {str: "text", int: "whole number"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What it gets; with a *stream*, events without end instead of a body."""

    status: int = 200
    body: bytes = b""
    kind: str = JSON
    headers: Mapping[str, str] = field(default_factory=dict)
    stream: Stream | None = None


def told(value: object, status: int = 200, **headers: str) -> Answer:
    """Return *value* as JSON; nobody keeps a copy."""
    return Answer(
        status=status,
        body=written(value).encode("utf-8", "backslashreplace"),
        headers={"Cache-Control": "no-store", **headers},
    )
