"""Templates of announcements: a topic line, an empty line, and a JSON value.

Lines that begin with ``#`` before the empty line are comments::

    # what our hub wants to know of each value
    topic: catalogue/points/{id}

    {"label": "{name}", "read": "{value_topic}"}
"""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING, Any

from tocsin.ports import Announcement
from tocsin_config.problems import Problem, suggestion

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

HOLES = (
    "id",
    "name",
    "value_topic",
    "availability_topic",
    "unit",
    "datatype",
    "quantity",
    "precision",
    "command_topic",
)
"""The placeholders; deploy/mqtt/ANNOUNCE.md says what each stands for."""

LONGEST = 65_536
_HOLE = re.compile(r"\{([^{}\s\"]*)\}")
_TOPIC = re.compile(r"topic:\s*(.*)")
EXAMPLE = "topic: catalogue/points/{id}"


def read_template(
    file: Path,
) -> tuple[bytes | None, Announcement | None, list[Problem]]:
    """Return a template's bytes, the template, and all that is wrong with it."""
    try:
        raw = file.read_bytes()
        text = raw.decode("utf-8-sig")
    except (OSError, UnicodeDecodeError, ValueError) as exc:
        why = getattr(exc, "strerror", None) or "it is not UTF-8"
        wrong = f"cannot be read: {why}"
        return None, None, [_problem(file, 1, "file", wrong, "a file that can be read")]
    if len(raw) > LONGEST:
        wrong = f"is {len(raw)} bytes long"
        return raw, None, [_problem(file, 1, "file", wrong, f"{LONGEST} at most")]
    parts = _Parts(file, text)
    problems = [*parts.of_topic(), *parts.of_body()]
    if problems:
        return raw, None, problems
    return raw, Announcement(topic=parts.topic, body=parts.body), []


class _Parts:
    """A template's head and body, and where they stand."""

    def __init__(self, file: Path, text: str) -> None:
        self._file = file
        lines = text.replace("\r\n", "\n").split("\n")
        at = next((i for i, line in enumerate(lines) if _is_body(line)), len(lines))
        self._head, self._body = lines[:at], "\n".join(lines[at:])
        self._first = at + 1
        self.topic = ""
        self.body: Any = None

    def of_topic(self) -> Iterator[Problem]:
        """Find the topic, and yield what is wrong with it."""
        line = 1
        for number, said in enumerate(self._head, start=1):
            if not said.strip() or said.startswith("#"):
                continue
            found = _TOPIC.fullmatch(said.strip())
            if found is None or self.topic:
                wrong = "there is one topic line, and comments begin with #"
                yield self._told(number, "topic", wrong, EXAMPLE)
                continue
            self.topic, line = found[1], number
        if not self.topic:
            yield self._told(1, "topic", "is missing", EXAMPLE)
            return
        yield from self._holes(self.topic, line, "topic")
        plain = _HOLE.sub("x", self.topic)
        if set(plain) & set("+#\0{}") or not plain.isprintable():
            wrong = "a topic has no + and # and no other braces"
            yield self._told(line, "topic", wrong, EXAMPLE)
        if "{id}" not in self.topic:
            wrong = "every value would be announced on the same topic"
            yield self._told(line, "topic", wrong, "put {id} in it")
        if self.topic.startswith("$"):
            wrong = "topics that begin with $ are the broker's own"
            yield self._told(line, "topic", wrong, EXAMPLE)

    def of_body(self) -> Iterator[Problem]:
        """Read the JSON, and yield what is wrong with it."""
        if not self._body.strip():
            wrong = "the JSON is missing, after an empty line"
            yield self._told(len(self._head), "body", wrong, '{"label": "{name}"}')
            return
        try:
            self.body = json.loads(self._body)
        except (ValueError, RecursionError) as exc:
            lines, why = getattr(exc, "lineno", 1), getattr(exc, "msg", "too deep")
            line, right = self._first + lines - 1, "JSON, with placeholders in quotes"
            yield self._told(line, "body", f"is no JSON: {why}", right)
            return
        if not isinstance(self.body, dict | list):
            yield self._told(self._first, "body", "is no object", "{ ... }")
        for number, said in enumerate(self._body.split("\n"), start=self._first):
            yield from self._holes(said, number, "body")
        for key in _odd_keys(self.body):
            line = self._line_of(key)
            wrong = f"the name {key!r} has a placeholder"
            yield self._told(line, "body", wrong, "placeholders in values only")

    def _holes(self, text: str, line: int, where: str) -> Iterator[Problem]:
        for match in _HOLE.finditer(text):
            if match[1] not in HOLES:
                wrong = f"unknown placeholder {{{match[1]}}}"
                yield self._told(line, where, wrong, suggestion(match[1], HOLES))

    def _line_of(self, key: str) -> int:
        return self._first + self._body[: max(0, self._body.find(key))].count("\n")

    def _told(self, line: int, key: str, wrong: str, right: str) -> Problem:
        return _problem(self._file, line, key, wrong, right)


def _is_body(line: str) -> bool:
    """Return True for the line where the JSON begins."""
    return line.lstrip().startswith(("{", "[", '"')) and not _TOPIC.match(line)


def _odd_keys(body: object) -> Iterator[str]:
    if isinstance(body, dict):
        for key, value in body.items():
            if _HOLE.search(key):
                yield key
            yield from _odd_keys(value)
    elif isinstance(body, list):
        for value in body:
            yield from _odd_keys(value)


def _problem(file: Path, line: int, key: str, wrong: str, right: str) -> Problem:
    return Problem(file=file, line=line, key=key, wrong=wrong, right=right)
