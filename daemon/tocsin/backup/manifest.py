"""What an archive says of itself."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from enum import StrEnum
from pathlib import PurePosixPath
from typing import Any

FORMAT = 1
MANIFEST = "manifest.json"
LARGEST_MANIFEST = 4_000_000
LONGEST_NAME = 400
PERMISSIONS = 0o777


class BackupError(Exception):
    """No backup can be made, or an archive cannot be used; the text says why."""


class Kind(StrEnum):
    """Where a file belongs: the first part of its name in the archive."""

    SITE = "site"
    STATE = "state"


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One file.

    Attributes:
        name: Its path below the folder of its kind, with ``/``.
        mode: Its permission bits.
        is_secret: It lets whoever reads it in.
    """

    kind: Kind
    name: str
    size: int
    sha256: str
    mode: int
    is_secret: bool = False

    @property
    def member(self) -> str:
        """The name in the archive."""
        return f"{self.kind}/{self.name}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Manifest:
    """All files of an archive, and where they came from.

    Attributes:
        version: Of the Tocsin that made it.
        made: When, ISO 8601.
        site: Name of the site.
        site_file: Name of the site file among the files of kind ``site``.
        site_folder, state_folder: Where they lay.
        left_out: What a person may miss, and why it is not here.
    """

    version: str
    made: str
    site: str
    site_file: str
    site_folder: str
    state_folder: str
    entries: tuple[Entry, ...]
    left_out: tuple[str, ...] = ()

    def text(self) -> str:
        """Return it as JSON."""
        return json.dumps({"format": FORMAT, **asdict(self)}, indent=1) + "\n"


def parse(text: bytes) -> Manifest:
    """Return the manifest that *text* holds.

    Raises:
        BackupError: it is none, of a newer format, or names what it must not.
    """
    try:
        told = json.loads(text)
        form = told.pop("format")
        if not isinstance(form, int) or form > FORMAT:
            raise BackupError(f"a newer Tocsin made this archive: its format is {form}")
        entries = tuple(_entry(each) for each in told.pop("entries"))
        left_out = tuple(str(each) for each in told.pop("left_out"))
        made = Manifest(
            **{key: _text(value) for key, value in told.items()},
            entries=entries,
            left_out=left_out,
        )
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError) as exc:
        raise BackupError(f"its manifest cannot be read: {exc}") from exc
    members = [entry.member for entry in entries]
    if len({*members}) != len(members):
        raise BackupError("its manifest names a file twice")
    if Kind.SITE not in {e.kind for e in entries if e.name == made.site_file}:
        raise BackupError("its manifest names no site file")
    return made


def _entry(told: dict[str, Any]) -> Entry:
    entry = Entry(**{**told, "kind": Kind(told["kind"])})
    if not (isinstance(entry.size, int) and entry.size >= 0):
        raise ValueError(f"{entry.name} has no length")
    if not (isinstance(entry.mode, int) and 0 <= entry.mode <= PERMISSIONS):
        raise ValueError(f"{entry.name} has no permission bits")
    if not isinstance(entry.is_secret, bool):
        raise TypeError(f"{entry.name} is neither secret nor not")
    _text(entry.sha256)
    path = PurePosixPath(_text(entry.name))
    is_odd = path.is_absolute() or ".." in path.parts or str(path) != entry.name
    if is_odd or entry.name == "." or "\0" in entry.name:
        raise ValueError(f"{entry.name!r} would lie outside its folder")
    return entry


def _text(value: object) -> str:
    if not isinstance(value, str) or len(value) > LONGEST_NAME:
        raise TypeError(f"{value!r:.40} is no short text")
    return value
