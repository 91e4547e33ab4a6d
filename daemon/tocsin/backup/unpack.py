"""Taking an archive's files back: checked first, then all of them or none."""

from __future__ import annotations

import gzip
import hashlib
import os
import shutil
import tarfile
import tempfile
import zlib
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import IO, TYPE_CHECKING

from tocsin.backup.manifest import (
    LARGEST_MANIFEST,
    MANIFEST,
    BackupError,
    Entry,
    Kind,
    Manifest,
    parse,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterator

BLOCK = 1 << 20
SIDE_FILES = ("-wal", "-shm", "-journal")
"""Of a database; beside another database of its name they would spoil that one."""

UNREADABLE = (tarfile.TarError, EOFError, gzip.BadGzipFile, zlib.error)


@dataclass(frozen=True, slots=True, kw_only=True)
class Places:
    """The folders that files are put back into."""

    site: Path
    state: Path

    def of(self, entry: Entry) -> Path:
        """Return where *entry* belongs."""
        folder = self.site if entry.kind is Kind.SITE else self.state
        return folder / entry.name


class Archive:
    """An archive that was read to its end and is what its manifest says.

    Raises:
        BackupError: it is damaged, or no backup of Tocsin.
        OSError: it cannot be read.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        with _opened(path) as (manifest, members):
            self.manifest: Manifest = manifest
            for entry, content in members:
                _copy(entry, content, None)

    def extract(self, folder: Path, wanted: Collection[Entry]) -> dict[Entry, Path]:
        """Write the files of *wanted* into *folder*, under numbers, checked again."""
        written: dict[Entry, Path] = {}
        with _opened(self.path) as (_, members):
            for entry, content in members:
                if entry not in wanted:
                    continue
                path = folder / str(len(written))
                with path.open("wb") as file:
                    _copy(entry, content, file)
                    file.flush()
                    os.fsync(file.fileno())
                written[entry] = path
        return written


def put_back(
    archive: Archive,
    wanted: Collection[Entry],
    places: Places,
    *,
    aside: str,
    check: Callable[[dict[Entry, Path]], None] = lambda _: None,
) -> list[Path]:
    """Move *wanted* into place; return where files that were there lie now.

    A file that was there, and a database's side files, get *aside* behind their names.
    New files belong to the owner and group of the folder of their kind.

    Args:
        archive: Where they come from.
        wanted: Entries of its manifest.
        places: Where they go.
        aside: Of a name that no file there has yet, such as ``.before-restore-1``.
        check: Called with the extracted copies before anything is moved; what it
            raises ends it there.

    Raises:
        BackupError, OSError: it cannot be done; everything is as it was.
    """
    with ExitStack() as stack:
        staged: dict[Entry, Path] = {}
        for kind, folder in ((Kind.SITE, places.site), (Kind.STATE, places.state)):
            if of_kind := [entry for entry in wanted if entry.kind is kind]:
                staging = Path(stack.enter_context(_staging(folder, of_kind)))
                staged |= archive.extract(staging, of_kind)
        check(staged)
        moved: list[Path] = []
        # Entered last: moves are taken back before the staging folders go.
        undo = stack.enter_context(_undoing())
        for entry, copy in staged.items():
            target = places.of(entry)
            _owned(copy, entry, target.parent, places)
            for old in _in_the_way(target):
                new = old.with_name(old.name + aside)
                old.rename(new)
                undo.append((new, old))
                moved.append(new)
            copy.rename(target)
            undo.append((target, copy))
        for folder in {places.of(entry).parent for entry in staged}:
            _settle(folder)
        undo.clear()
    return moved


def in_the_way(wanted: Collection[Entry], places: Places) -> list[Path]:
    """Return what is there already where *wanted* belong."""
    return [old for entry in wanted for old in _in_the_way(places.of(entry))]


def _staging(
    folder: Path, wanted: Collection[Entry]
) -> tempfile.TemporaryDirectory[str]:
    """Return a folder on the disk of *folder*, which is made if need be."""
    folder.mkdir(mode=0o750, parents=True, exist_ok=True)
    room = sum(entry.size for entry in wanted)
    if (free := shutil.disk_usage(folder).free) < room:
        said = f"{folder} has room for {free // 1000} kB, not {room // 1000}"
        raise BackupError(said)
    return tempfile.TemporaryDirectory(dir=folder, prefix=".restore-")


@contextmanager
def _undoing() -> Iterator[list[tuple[Path, Path]]]:
    """Take moves back, the last one first, if anything goes wrong."""
    done: list[tuple[Path, Path]] = []
    try:
        yield done
    except BaseException:
        for now, before in reversed(done):
            with suppress(OSError):
                now.rename(before)
        raise


def _in_the_way(target: Path) -> list[Path]:
    beside = [target.with_name(target.name + side) for side in SIDE_FILES]
    return [path for path in (target, *beside) if os.path.lexists(path)]


def _owned(copy: Path, entry: Entry, parent: Path, places: Places) -> None:
    """Give *copy* its permission bits and the owner of the folder it goes to."""
    top = places.site if entry.kind is Kind.SITE else places.state
    for folder in reversed([parent, *parent.parents]):
        if not folder.is_relative_to(top) or folder.exists():
            continue
        folder.mkdir(mode=0o750)
        _chown_like(folder, folder.parent)
    copy.chmod(entry.mode)
    _chown_like(copy, parent)


def _chown_like(path: Path, folder: Path) -> None:
    if os.geteuid() == 0:
        of = folder.stat()
        os.chown(path, of.st_uid, of.st_gid)


def _settle(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


@contextmanager
def _opened(
    path: Path,
) -> Iterator[tuple[Manifest, Iterator[tuple[Entry, IO[bytes]]]]]:
    """Open an archive: its manifest, and its files in the manifest's order.

    Reading them all, and only that, shows that none lacks and none is too many.
    """
    try:
        with (
            gzip.open(path) as unzipped,
            tarfile.open(fileobj=unzipped, mode="r|", bufsize=BLOCK) as tar,
        ):
            manifest = _manifest(tar)
            yield manifest, _members(tar, manifest)
            while unzipped.read(BLOCK):  # to its end, where gzip's own sum stands
                pass
    except UNREADABLE as exc:
        raise BackupError(f"{path} is damaged, or no archive: {exc}") from exc
    except BackupError as exc:
        raise BackupError(f"{path}: {exc}") from exc


def _manifest(tar: tarfile.TarFile) -> Manifest:
    first = tar.next()
    content = None if first is None else tar.extractfile(first)
    if first is None or first.name != MANIFEST or content is None:
        raise BackupError("it does not begin with a manifest")
    if first.size > LARGEST_MANIFEST:
        raise BackupError("its manifest is too large")
    return parse(content.read())


def _members(
    tar: tarfile.TarFile, manifest: Manifest
) -> Iterator[tuple[Entry, IO[bytes]]]:
    for entry in manifest.entries:
        member = tar.next()
        if member is None:
            raise BackupError(f"it ends before {entry.member}")
        content = tar.extractfile(member) if member.isreg() else None
        if member.name != entry.member or content is None or member.size != entry.size:
            raise BackupError(f"it holds {member.name} instead of {entry.member}")
        yield entry, content
    if (more := tar.next()) is not None:
        raise BackupError(f"it holds {more.name}, of which its manifest does not know")


def _copy(entry: Entry, content: IO[bytes], target: IO[bytes] | None) -> None:
    sha256 = hashlib.sha256()
    while block := content.read(BLOCK):
        sha256.update(block)
        if target is not None:
            target.write(block)
    if sha256.hexdigest() != entry.sha256:
        raise BackupError(
            f"{entry.member} is damaged: another SHA-256 than was written"
        )
