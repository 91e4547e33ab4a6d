"""A TOML file, with the line of every key; mistakes of its grammar, all at once."""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from tocsin_config.locate import locate
from tocsin_config.problems import Problem

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

    from tocsin_config.problems import Key

MOST_REPAIRS = 50
_WHERE = re.compile(r" \(at (?:line (\d+), column \d+|end of document)\)$")
_BARE = re.compile(r"[A-Za-z0-9_-]+")
_HINTS = {
    "Cannot overwrite": "each key once",
    "Cannot declare": "each table once, or [[double brackets]] for a list of tables",
    "Invalid value": 'text in "quotes", a plain number, true or false',
    "Illegal character": 'text in "quotes" that end on the same line',
    "Unclosed array": "a closing ] after the last element",
    "Expected '='": "key = value, one a line",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Document:
    """A file's tables and where they stand.

    Attributes:
        mangled: Some lines could not be read and are missing from *data*.
    """

    file: Path
    data: Mapping[str, Any] = field(default_factory=dict)
    lines: Mapping[Key, int] = field(default_factory=dict)
    mangled: bool = False

    def line(self, path: Key) -> int:
        """Return the line of *path*, or of the nearest table around it."""
        for length in range(len(path), 0, -1):
            if path[:length] in self.lines:
                return self.lines[path[:length]]
        return 1

    def problem(self, path: Key, wrong: str, right: str) -> Problem:
        """Return a problem that stands at *path*."""
        return Problem(
            file=self.file,
            line=self.line(path),
            key=self.label(path),
            wrong=wrong,
            right=right,
        )

    def label(self, path: Key) -> str:
        """Return *path* for people: ``pack[left].host``, nameless ones from 1."""
        label = ""
        here: object = self.data
        for part in path:
            here = _inside(here, part)
            if isinstance(part, int):
                name = _inside(here, "name")
                is_name = isinstance(name, str) and _BARE.fullmatch(name)
                label += f"[{name if is_name else part + 1}]"
            else:
                shown = part if _BARE.fullmatch(part) else repr(part)
                label += f".{shown}" if label else shown
        return label or "file"


def _inside(data: object, part: str | int) -> object:
    if isinstance(data, dict):
        return data.get(str(part))
    if isinstance(data, list) and isinstance(part, int) and part < len(data):
        return data[part]
    return None


def read(file: Path) -> tuple[bytes, Document, list[Problem]]:
    """Return a file's bytes, its tables, and what is wrong with its grammar."""
    empty = Document(file=file, mangled=True)
    try:
        raw = file.read_bytes()
    except (OSError, ValueError) as exc:
        why = exc.strerror if isinstance(exc, OSError) else str(exc)
        wrong = f"cannot be read: {why}"
        return b"", empty, [empty.problem((), wrong, "a file that can be read")]
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as exc:
        problem = Problem(
            file=file,
            line=raw.count(b"\n", 0, exc.start) + 1,
            key="file",
            wrong=f"byte 0x{raw[exc.start]:02x} is not UTF-8",
            right="a text saved as UTF-8",
        )
        return raw, empty, [problem]
    return raw, *parse(file, text)


def parse(file: Path, text: str) -> tuple[Document, list[Problem]]:
    """Return the tables of *text*, and every line that is not TOML.

    A key's line that cannot be read is left out and the rest is read again, so that
    one slip does not hide the others. A broken header ends that: nobody can say which
    table the lines after it belong to.
    """
    problems: list[Problem] = []
    rest = text.replace("\r\n", "\n")
    while True:
        try:
            data = tomllib.loads(rest)
        except RecursionError:
            wrong, right = "nested too deeply", "a few levels of tables at most"
            problem = Document(file=file).problem((), wrong, right)
            return Document(file=file, mangled=True), [*problems, problem]
        except ValueError as exc:
            problem = _grammar(file, rest, str(exc))
            before, problems = problems, [*problems, problem]
            rows = rest.split("\n")
            row = rows[problem.line - 1]
            is_stuck = bool(before) and problem.line <= before[-1].line
            if is_stuck or not _is_skippable(row, str(exc)):
                return Document(file=file, mangled=True), problems
            if len(problems) > MOST_REPAIRS:
                return Document(file=file, mangled=True), problems
            rows[problem.line - 1] = ""
            rest = "\n".join(rows)
        else:
            lines = locate(rest)
            whole = Document(file=file, data=data, lines=lines, mangled=bool(problems))
            return whole, [*problems, *_nulls(whole, data, ())]


def _nulls(document: Document, value: object, at: Key) -> Iterator[Problem]:
    """Find texts with a NUL: TOML allows them, and no path or name may have one."""
    if isinstance(value, str) and "\0" in value:
        yield document.problem(at, "has a NUL in it", "text without \\u0000")
    elif isinstance(value, dict):
        for key, inside in value.items():
            yield from _nulls(document, inside, (*at, key))
    elif isinstance(value, list):
        for number, inside in enumerate(value):
            yield from _nulls(document, inside, (*at, number))


def _is_skippable(row: str, said: str) -> bool:
    """Return True if a bad line stands alone, so that the next can be read."""
    is_header = row.lstrip().startswith("[")
    is_open = said.startswith(("Unclosed", "Unterminated"))
    is_tail = said.startswith("Expected newline") and "=" not in row
    is_multiline = '"""' in row or "'''" in row
    return bool(row.strip()) and not (is_header or is_multiline or is_open or is_tail)


def _grammar(file: Path, text: str, said: str) -> Problem:
    found = _WHERE.search(said)
    rows = text.split("\n")
    line = (
        int(found[1]) if found and found[1] else max(1, len(text.rstrip().split("\n")))
    )
    what = said[: found.start()] if found else said
    key, equals, _ = rows[line - 1].partition("=")
    hints = (right for start, right in _HINTS.items() if what.startswith(start))
    return Problem(
        file=file,
        line=line,
        key=key.strip() if equals and _BARE.fullmatch(key.strip()) else "file",
        wrong=f"not TOML: {what[:1].lower()}{what[1:]}",
        right=next(hints, "key = value, one a line, and text in quotes"),
    )
