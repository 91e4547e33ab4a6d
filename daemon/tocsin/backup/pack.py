"""Making an archive, also while the daemon runs."""

from __future__ import annotations

import gzip
import hashlib
import io
import os
import shutil
import sqlite3
import tarfile
import tempfile
from contextlib import ExitStack, closing, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tocsin import __version__
from tocsin.backup.manifest import (
    MANIFEST,
    PERMISSIONS,
    BackupError,
    Entry,
    Kind,
    Manifest,
)
from tocsin.clock import iso_time
from tocsin.readonly import connected

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

KEPT_SUFFIXES = frozenset({".db", ".json", ".aside"})
"""Of files that lie in the state folder itself. Side files of databases have others."""

KEPT_FOLDERS = frozenset({"records"})
SECRET_NAMES = frozenset({"page-token"})
SECRET_KEYS = ("password_file", "token_file", "key")
"""Keys of the site file that name a file with a secret in it, alone or after ``_``."""

DATABASE = b"SQLite format 3\0"


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """A file to be packed, and where it lies."""

    kind: Kind
    name: str
    path: Path
    is_secret: bool = False


@dataclass(slots=True, kw_only=True)
class Collected:
    """All that an archive will hold.

    Attributes:
        left_out: What a person may miss, and why.
    """

    site: str
    site_file: Path
    state_folder: Path
    files: list[Found] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)


def collect(
    site_file: Path,
    tables: Mapping[str, Any],
    state_folder: Path,
    *,
    site: str,
    with_secrets: bool = False,
    with_history: bool = True,
) -> Collected:
    """Return what belongs to a site; *tables* are those of its site file.

    A file belongs to it if a text of the site file names it and it lies in the site
    file's folder or below.
    """
    found = Collected(site=site, site_file=site_file, state_folder=state_folder)
    folder = site_file.parent.resolve()
    found.files.append(
        Found(kind=Kind.SITE, name=site_file.name, path=folder / site_file.name)
    )
    for key, text in _texts(tables):
        path = _named(folder, text)
        if path is None or path == found.files[0].path:
            continue
        if not path.is_relative_to(folder):
            found.left_out.append(f"{path}: outside the folder of the site file")
            continue
        name = path.relative_to(folder).as_posix()
        is_secret = key in SECRET_KEYS or key.rpartition("_")[2] in SECRET_KEYS
        _add(found, Kind.SITE, name, path, is_secret=is_secret)
    for path in _kept(state_folder):
        name = path.relative_to(state_folder).as_posix()
        if name == "history.db" and not with_history:
            found.left_out.append(f"{path}: left out as asked")
        else:
            _add(found, Kind.STATE, name, path, is_secret=name in SECRET_NAMES)
    if not with_secrets:
        for each in [each for each in found.files if each.is_secret]:
            found.files.remove(each)
            found.left_out.append(f"{each.path}: a secret; --secrets takes it along")
    return found


def write(
    found: Collected,
    target: Path,
    *,
    wall_ms: int,
    tell: Callable[[str], None] = lambda _: None,
) -> Manifest:
    """Write the archive *target*, which must be new, for its owner's eyes only.

    Databases are copied as SQLite's online backup does, whole as of one moment, and
    checked. *tell* is called with a line now and then.

    Raises:
        BackupError: *target* is there already, or a database is damaged.
        OSError: something cannot be read or written. No half archive is left.
    """
    if target.exists():
        raise BackupError(f"{target} is there already; name a new file")
    begun = target.with_name(f"{target.name}.new")
    with ExitStack() as stack:
        folder = tempfile.TemporaryDirectory(dir=target.parent, prefix=".tocsin-")
        staging = Path(stack.enter_context(folder))
        entries = []
        for number, each in enumerate(found.files):
            tell(f"{each.kind}/{each.name}")
            entries.append(_staged(each, staging / str(number)))
        manifest = Manifest(
            version=__version__,
            made=iso_time(wall_ms),
            site=found.site,
            site_file=found.site_file.name,
            site_folder=str(found.site_file.parent.absolute()),
            state_folder=str(found.state_folder.absolute()),
            entries=tuple(entries),
            left_out=tuple(found.left_out),
        )
        stack.callback(begun.unlink, missing_ok=True)
        handle = os.open(begun, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        with os.fdopen(handle, "wb") as file:
            # Without a name in gzip's head, of which no sum is kept.
            with (
                gzip.GzipFile("", "wb", 6, file, wall_ms // 1000) as zipped,
                tarfile.open(fileobj=zipped, mode="w") as tar,
            ):
                _member(tar, MANIFEST, io.BytesIO(manifest.text().encode()), wall_ms)
                for number, entry in enumerate(manifest.entries):
                    with (staging / str(number)).open("rb") as staged:
                        _member(tar, entry.member, staged, wall_ms)
            file.flush()
            os.fsync(file.fileno())
        begun.replace(target)
    return manifest


def _member(
    tar: tarfile.TarFile, name: str, content: io.BytesIO | io.BufferedReader, at_ms: int
) -> None:
    member = tarfile.TarInfo(name)
    member.size = content.seek(0, os.SEEK_END)
    member.mode, member.mtime = 0o600, at_ms // 1000
    content.seek(0)
    tar.addfile(member, content)


def _texts(value: object, key: str = "") -> Iterator[tuple[str, str]]:
    """Yield every text of nested tables with the key that it stands under."""
    if isinstance(value, str):
        yield key, value
    elif isinstance(value, dict):
        for name, inner in value.items():
            yield from _texts(inner, str(name))
    elif isinstance(value, (list, tuple)):
        for inner in value:
            yield from _texts(inner, key)


def _named(folder: Path, text: str) -> Path | None:
    """Return the file that *text* names, seen from *folder*; None if there is none."""
    if not text or "\0" in text or "\n" in text:
        return None
    with suppress(OSError, ValueError):
        path = folder / text
        # As it is written, not where a link leads: it is put back by that name.
        path = Path(os.path.normpath(path))
        return path if path.is_file() else None
    return None


def _kept(folder: Path) -> Iterator[Path]:
    """Yield what the daemon and its commands keep in *folder*, in order of names."""
    if not folder.is_dir():
        return
    for path in sorted(folder.iterdir()):
        if path.name in KEPT_FOLDERS and path.is_dir() and not path.is_symlink():
            inner = sorted(path.rglob("*"))
            yield from (each for each in inner if _is_plain(each))
        elif (path.suffix in KEPT_SUFFIXES or path.name in SECRET_NAMES) and _is_plain(
            path
        ):
            yield path


def _is_plain(path: Path) -> bool:
    return path.is_file() and not path.is_symlink()


def _add(
    found: Collected, kind: Kind, name: str, path: Path, *, is_secret: bool
) -> None:
    if all(path.resolve() != each.path.resolve() for each in found.files):
        found.files.append(Found(kind=kind, name=name, path=path, is_secret=is_secret))


def _staged(each: Found, copy: Path) -> Entry:
    """Copy one file, a database as of one moment, and return what it came to."""
    with each.path.open("rb") as file:
        is_database = file.read(len(DATABASE)) == DATABASE
    if is_database and each.path.suffix == ".db":
        _copy_database(each.path, copy)
    else:
        shutil.copyfile(each.path, copy)
    sha256 = hashlib.sha256()
    with copy.open("rb") as file:
        while block := file.read(1 << 20):
            sha256.update(block)
    return Entry(
        kind=each.kind,
        name=each.name,
        size=copy.stat().st_size,
        sha256=sha256.hexdigest(),
        mode=each.path.stat().st_mode & PERMISSIONS,
        is_secret=each.is_secret,
    )


def _copy_database(path: Path, copy: Path) -> None:
    """SQLite's online backup (sqlite.org/backup.html) in one step: a reader's lock."""
    try:
        with ExitStack() as stack:
            source = connected(path, stack)
            target = stack.enter_context(closing(sqlite3.connect(copy)))
            source.backup(target)
            # One file, without a log beside it.
            target.execute("PRAGMA journal_mode = DELETE").fetchone()
            (said,) = target.execute("PRAGMA quick_check(1)").fetchone()
    except sqlite3.Error as exc:
        said = str(exc)
    if said != "ok":
        raise BackupError(
            f"{path} is damaged ({said}). A starting daemon sets a damaged file aside "
            "and begins a new one; back up again then"
        )
