"""Lines of keys in a TOML text, which the standard parser does not tell.

Only for text that ``tomllib`` has accepted: what it checks is not checked again.
Written after the grammar of TOML 1.0.0 (https://toml.io/en/v1.0.0).
"""

from __future__ import annotations

import re
import tomllib
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tocsin_config.problems import Key

_BARE = re.compile(r"[A-Za-z0-9_-]+")
_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_SCALAR = re.compile(r"[^,\]}\n#]*")
_STRING = re.compile(
    r'"""(?:\\.|[^\\])*?"{3,5}(?!")'
    r"|'''.*?'{3,5}(?!')"
    r'|"(?:\\.|[^"\\])*"'
    r"|'[^']*'",
    re.DOTALL,
)


def locate(text: str) -> dict[Key, int]:
    """Return the line, counted from 1, where each key path of *text* first stands.

    Tables have the line of their header, elements of arrays their own.
    """
    scan = _Scan(text.replace("\r\n", "\n"))
    scan.document()
    return scan.lines


class _Scan:
    """Walks once through a text and notes where every key stands."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.pos = 0
        self.lines: dict[Key, int] = {(): 1}
        self.last: dict[Key, int] = {}  # arrays of tables: index of the newest
        self._counted = (0, 1)

    def document(self) -> None:
        table: Key = ()
        while self._skip():
            if self.text.startswith("[[", self.pos):
                table = self._header(2, is_array=True)
            elif self.text[self.pos] == "[":
                table = self._header(1, is_array=False)
            else:
                self._pair(table)

    def _header(self, brackets: int, *, is_array: bool) -> Key:
        line = self._line()
        self.pos += brackets
        parts = self._key()
        self._skip()
        self.pos += brackets
        path: Key = ()
        for i, part in enumerate(parts):
            path = (*path, part)
            self.lines.setdefault(path, line)
            if is_array and i == len(parts) - 1:
                self.last[path] = self.last.get(path, -1) + 1
            if path in self.last:
                path = (*path, self.last[path])
                self.lines.setdefault(path, line)
        return path

    def _pair(self, table: Key) -> None:
        line, path = self._line(), table
        for part in self._key():
            path = (*path, part)
            self.lines.setdefault(path, line)
        self._skip()
        self.pos += 1  # the equals sign
        self._skip()
        self._value(path)

    def _key(self) -> list[str]:
        parts: list[str] = []
        while True:
            self._skip()
            bare = _BARE.match(self.text, self.pos)
            if bare:
                parts.append(bare[0])
                self.pos = bare.end()
            else:
                raw = self._string()
                parts.append(tomllib.loads(f"key = {raw}")["key"])
            self._skip()
            if self.text[self.pos] != ".":
                return parts
            self.pos += 1

    def _value(self, path: Key) -> None:
        match self.text[self.pos]:
            case "[":
                self._array(path)
            case "{":
                self._inline_table(path)
            case '"' | "'":
                self._string()
            case _:
                found = _SCALAR.match(self.text, self.pos)
                self.pos = found.end() if found else len(self.text)

    def _array(self, path: Key) -> None:
        self.pos += 1
        index = 0
        while self._skip() and self.text[self.pos] != "]":
            if self.text[self.pos] == ",":
                self.pos += 1
                continue
            self.lines.setdefault((*path, index), self._line())
            self._value((*path, index))
            index += 1
        self.pos += 1

    def _inline_table(self, path: Key) -> None:
        self.pos += 1
        while self._skip() and self.text[self.pos] != "}":
            if self.text[self.pos] == ",":
                self.pos += 1
                continue
            self._pair(path)
        self.pos += 1

    def _string(self) -> str:
        found = _STRING.match(self.text, self.pos)
        raw = found[0] if found else self.text[self.pos :]
        self.pos += len(raw)
        return raw

    def _skip(self) -> bool:
        """Go to the next thing that is no blank or comment; False at the end."""
        blank = _BLANK.match(self.text, self.pos)
        self.pos = blank.end() if blank else self.pos
        return self.pos < len(self.text)

    def _line(self) -> int:
        pos, line = self._counted
        self._counted = self.pos, line + self.text.count("\n", pos, self.pos)
        return self._counted[1]
