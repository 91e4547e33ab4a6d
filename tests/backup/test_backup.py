"""Archives: made beside a writer, read by other programs, refused when damaged."""

from __future__ import annotations

import asyncio
import gzip
import hashlib
import io
import json
import shutil
import sqlite3
import subprocess
import tarfile
import zlib
from contextlib import closing, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from journal_stage import Ears, heard, journal, kept, note
from site_files import SMALL, written
from tocsin.backup import (
    Archive,
    BackupError,
    Collected,
    Entry,
    Kind,
    Manifest,
    Places,
    collect,
    put_back,
    write,
)
from tocsin.backup.manifest import parse

if TYPE_CHECKING:
    from collections.abc import Callable

WALL_MS = 1_768_010_400_000

TABLES: dict[str, Any] = {
    "pack": [{"map": "maps/left.toml"}, {"file": "right.dbc"}],
    "mqtt": {"password_file": "secrets/mqtt", "client_key": "secrets/own.pem"},
    "site": {"name": "Fern Ridge hut"},
}


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """A site folder with included files, secrets and something else beside them."""
    folder = tmp_path / "etc"
    for name in ("maps/left.toml", "right.dbc", "secrets/mqtt", "secrets/own.pem"):
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(f"this is {name}")
    (folder / "diary.txt").write_text("no file of the site")
    return written(folder, SMALL)


@pytest.fixture
def state(tmp_path: Path) -> Path:
    """A state folder with a database, small files and signed records."""
    folder = tmp_path / "state"
    (folder / "records").mkdir(parents=True)
    (folder / "records" / "2026-01-10.json").write_text('{"person": "M. Ranger"}')
    (folder / "counts.json").write_text("{}")
    (folder / "page-token").write_text("letmein-letmein")
    (folder / "control.sock.txt").write_text("nothing to keep")
    for name in ("journal.db", "history.db"):
        with closing(sqlite3.connect(folder / name)) as database:
            database.execute("PRAGMA journal_mode = WAL")
            database.execute("CREATE TABLE event (id INTEGER PRIMARY KEY, text TEXT)")
            rows = [(f"row {n} of {name}",) for n in range(200)]
            database.executemany("INSERT INTO event (text) VALUES (?)", rows)
            database.commit()
    return folder


def gathered(site: Path, state: Path, **changes: Any) -> Collected:
    return collect(site, TABLES, state, site="Fern Ridge hut", **changes)


def made(site: Path, state: Path, target: Path, **changes: Any) -> Archive:
    write(gathered(site, state, **changes), target, wall_ms=WALL_MS)
    return Archive(target)


def tree(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def restored(archive: Archive, to: Path, aside: str = ".old") -> list[Path]:
    places = Places(site=to / "etc", state=to / "state")
    return put_back(archive, archive.manifest.entries, places, aside=aside)


def test_all_that_belongs_to_the_site_is_packed_and_nothing_else(
    site: Path, state: Path, tmp_path: Path
) -> None:
    archive = made(site, state, tmp_path / "a.tar.gz")
    members = {entry.member for entry in archive.manifest.entries}
    assert members == {
        *("site/site.toml", "site/maps/left.toml", "site/right.dbc"),
        *("state/journal.db", "state/history.db", "state/counts.json"),
        "state/records/2026-01-10.json",
    }
    told = "\n".join(archive.manifest.left_out)
    for secret in ("secrets/mqtt", "secrets/own.pem", "page-token"):
        assert f"{secret}: a secret" in told


def test_secrets_are_taken_along_only_when_asked_for(
    site: Path, state: Path, tmp_path: Path
) -> None:
    archive = made(site, state, tmp_path / "a.tar.gz", with_secrets=True)
    secret = {e.member for e in archive.manifest.entries if e.is_secret}
    assert secret == {"site/secrets/mqtt", "site/secrets/own.pem", "state/page-token"}
    assert (tmp_path / "a.tar.gz").stat().st_mode & 0o077 == 0


def test_a_history_is_left_out_only_when_asked_for(
    site: Path, state: Path, tmp_path: Path
) -> None:
    archive = made(site, state, tmp_path / "a.tar.gz", with_history=False)
    assert "state/history.db" not in {e.member for e in archive.manifest.entries}
    assert "history.db: left out as asked" in archive.manifest.left_out[0]


def test_a_file_outside_the_site_s_folder_is_told_and_not_packed(
    site: Path, state: Path, tmp_path: Path
) -> None:
    (tmp_path / "elsewhere.dbc").write_text("far away")
    found = collect(site, {"file": "../elsewhere.dbc"}, state, site="hut")
    assert found.left_out[0].endswith(
        "elsewhere.dbc: outside the folder of the site file"
    )
    assert [each.name for each in found.files if each.kind is Kind.SITE] == [
        "site.toml"
    ]


def test_other_programs_read_the_archive_and_find_the_same_sums(
    site: Path, state: Path, tmp_path: Path
) -> None:
    """POSIX tar by GNU tar, SHA-256 (FIPS 180-4) by GNU coreutils."""
    archive = made(site, state, tmp_path / "a.tar.gz")
    out = tmp_path / "out"
    out.mkdir()
    subprocess.run(["tar", "-xzf", tmp_path / "a.tar.gz", "-C", out], check=True)
    manifest = json.loads((out / "manifest.json").read_text())
    assert manifest["format"] == 1
    lines = "".join(f"{e.sha256}  {e.member}\n" for e in archive.manifest.entries)
    checked = subprocess.run(
        ["sha256sum", "--check", "--strict"],
        input=lines, cwd=out, text=True, check=False, capture_output=True,
    )  # fmt: skip
    assert checked.returncode == 0, checked.stdout
    packed = {path for path in tree(out) if path != "manifest.json"}
    assert packed == {e.member for e in archive.manifest.entries}


def test_a_journal_that_is_being_written_comes_back_with_every_durable_row(
    site: Path, tmp_path: Path
) -> None:
    """sqlite.org/backup.html: a copy is as of one moment, whoever writes."""
    state, ears = tmp_path / "state", Ears()
    state.mkdir()

    async def main() -> None:
        async with journal(state, ears) as writer:
            writer.tell([note(n) for n in range(1, 200)])
            await heard(ears, 199)
            write(gathered(site, state), tmp_path / "a.tar.gz", wall_ms=WALL_MS)
            writer.tell([note(n) for n in range(200, 220)])
            await heard(ears, 219)

    asyncio.run(main())
    restored(Archive(tmp_path / "a.tar.gz"), tmp_path / "new")
    assert kept(tmp_path / "new" / "state") == list(range(1, 200))
    assert not list((tmp_path / "new" / "state").glob("*-wal"))


def test_what_is_put_back_is_what_was_packed(
    site: Path, state: Path, tmp_path: Path
) -> None:
    (state / "counts.json").chmod(0o640)
    archive = made(site, state, tmp_path / "a.tar.gz", with_secrets=True)
    assert restored(archive, tmp_path / "new") == []
    new = tmp_path / "new"
    before, after = tree(site.parent), tree(new / "etc")
    assert after == {k: v for k, v in before.items() if k != "diary.txt"}
    for name in ("counts.json", "page-token", "records/2026-01-10.json"):
        assert (new / "state" / name).read_bytes() == (state / name).read_bytes()
    assert (new / "state" / "counts.json").stat().st_mode & 0o777 == 0o640
    for name in ("journal.db", "history.db"):
        with closing(sqlite3.connect(new / "state" / name)) as database:
            rows = database.execute("SELECT id, text FROM event").fetchall()
        assert rows == [(n + 1, f"row {n} of {name}") for n in range(200)]


def test_what_is_there_already_is_put_aside_with_its_side_files(
    site: Path, state: Path, tmp_path: Path
) -> None:
    """Another database's log beside a restored one would spoil it."""
    archive = made(site, state, tmp_path / "a.tar.gz")
    new = tmp_path / "new" / "state"
    new.mkdir(parents=True)
    (new / "journal.db").write_bytes(b"of another day")
    (new / "journal.db-wal").write_bytes(b"its log")
    (new / "kept.txt").write_text("not ours")
    moved = restored(archive, tmp_path / "new", ".before-1")
    assert {path.name for path in moved} == {
        "journal.db.before-1",
        "journal.db-wal.before-1",
    }
    assert (new / "journal.db.before-1").read_bytes() == b"of another day"
    assert not (new / "journal.db-wal").exists()
    assert (new / "kept.txt").read_text() == "not ours"


@pytest.mark.parametrize("failing", [0, 1, 4, 6, 9])
def test_if_one_file_cannot_be_moved_all_is_as_it_was(
    failing: int, site: Path, state: Path, tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    archive = made(site, state, tmp_path / "a.tar.gz")
    new = tmp_path / "new"
    (new / "etc").mkdir(parents=True)
    (new / "state").mkdir()
    (new / "etc" / "site.toml").write_text("older")
    (new / "state" / "journal.db").write_text("older")
    (new / "state" / "journal.db-wal").write_text("older")
    before, own, done = tree(new), Path.rename, []

    def rename(path: Path, target: Path) -> Path:
        done.append(path)
        if len(done) == failing + 1:
            raise OSError(5, "Input/output error")
        return own(path, target)

    monkeypatch.setattr(Path, "rename", rename)
    with pytest.raises(OSError, match="Input/output error"):
        restored(archive, new)
    assert tree(new) == before


def test_what_a_check_refuses_changes_nothing(
    site: Path, state: Path, tmp_path: Path
) -> None:
    archive = made(site, state, tmp_path / "a.tar.gz")
    new = tmp_path / "new"

    def refuse(staged: dict[Entry, Path]) -> None:
        assert len(staged) == len(archive.manifest.entries)
        raise BackupError("not this one")

    places = Places(site=new / "etc", state=new / "state")
    with pytest.raises(BackupError, match="not this one"):
        put_back(archive, archive.manifest.entries, places, aside=".x", check=refuse)
    assert tree(new) == {}


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    folder = tmp_path_factory.mktemp("sound")
    state = folder / "state"
    state.mkdir()
    (state / "counts.json").write_text('{"charge": 12}')
    site = written(folder, SMALL)
    write(
        collect(site, {}, state, site="Fern Ridge hut"),
        folder / "a.tar.gz",
        wall_ms=WALL_MS,
    )
    return (folder / "a.tar.gz").read_bytes()


@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_one_wrong_bit_anywhere_is_found(
    data: st.DataObject, sound: bytes, tmp_path: Path
) -> None:
    """RFC 1952: bytes 3 to 9 of gzip's head (flags, time, system) say nothing of it."""
    at = data.draw(st.integers(0, len(sound) - 1).filter(lambda n: not 3 <= n <= 9))
    bad = bytearray(sound)
    bad[at] ^= 1 << data.draw(st.integers(0, 7))
    with suppress(EOFError, OSError, zlib.error):  # a bit may say the same otherwise
        assume(gzip.decompress(bad) != gzip.decompress(sound))
    path = tmp_path / "bad.tar.gz"
    path.write_bytes(bad)
    with pytest.raises(BackupError, match=r"bad\.tar\.gz"):
        Archive(path)


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_an_archive_that_ends_early_is_found(
    data: st.DataObject, sound: bytes, tmp_path: Path
) -> None:
    path = tmp_path / "short.tar.gz"
    path.write_bytes(sound[: data.draw(st.integers(0, len(sound) - 1))])
    with pytest.raises(BackupError):
        Archive(path)


def forged(path: Path, change: Callable[[dict[str, Any], list[Any]], None]) -> Path:
    """Write an archive with sound sums whose manifest or members were changed."""
    content = SMALL.encode()
    entry = {
        "kind": "site",
        "name": "site.toml",
        "size": len(content),
        "sha256": hashlib.sha256(content).hexdigest(),
        "mode": 0o640,
        "is_secret": False,
    }
    manifest: dict[str, Any] = {
        "format": 1, "version": "1", "made": "now", "site": "hut",
        "site_file": "site.toml", "site_folder": "/etc/tocsin",
        "state_folder": "/var/lib/tocsin", "entries": [entry], "left_out": [],
    }  # fmt: skip
    member = tarfile.TarInfo("site/site.toml")
    member.size = len(content)
    members: list[Any] = [(member, content)]
    change(manifest, members)
    with gzip.open(path, "wb") as file, tarfile.open(fileobj=file, mode="w") as tar:
        text = json.dumps(manifest).encode()
        head = tarfile.TarInfo("manifest.json")
        head.size = len(text)
        tar.addfile(head, io.BytesIO(text))
        for each, body in members:
            tar.addfile(each, io.BytesIO(body))
    return path


def _name(name: str) -> Callable[[dict[str, Any], list[Any]], None]:
    def change(manifest: dict[str, Any], members: list[Any]) -> None:
        manifest["entries"].append({**manifest["entries"][0], "name": name})
        more = tarfile.TarInfo(f"site/{name}")
        more.size = members[0][0].size
        members.append((more, members[0][1]))

    return change


def _link(_: dict[str, Any], members: list[Any]) -> None:
    members[0][0].type, members[0][0].linkname = tarfile.SYMTYPE, "/etc/shadow"
    members[0][0].size = 0


def _more(_: dict[str, Any], members: list[Any]) -> None:
    members.append((tarfile.TarInfo("site/more"), b""))


@pytest.mark.parametrize(
    ("change", "why"),
    [
        (_name("../passwd"), "outside its folder"),
        (_name("/etc/passwd"), "outside its folder"),
        (_name("a/../../b"), "outside its folder"),
        (_name("."), "outside its folder"),
        (_name("site.toml"), "names a file twice"),
        (_link, "instead of site/site.toml|damaged"),
        (_more, "of which its manifest does not know"),
        (lambda manifest, _: manifest.update(format=2), "newer Tocsin"),
        (lambda manifest, _: manifest.update(format="1"), "newer Tocsin"),
        (lambda manifest, _: manifest.update(site_file="b"), "names no site file"),
        (lambda manifest, _: manifest.pop("made"), "cannot be read"),
        (lambda manifest, _: manifest.update(made=7), "cannot be read"),
        (lambda manifest, _: manifest.update(entries=7), "cannot be read"),
        (lambda manifest, _: manifest["entries"][0].update(mode=0o4755), "permission"),
        (lambda manifest, _: manifest["entries"][0].update(size=3), "instead of"),
        (lambda manifest, _: manifest["entries"][0].update(size=-1), "no length"),
        (lambda manifest, _: manifest["entries"][0].update(kind="etc"), "cannot be"),
        (lambda _, members: members.clear(), "ends before site/site.toml"),
    ],
)
def test_an_archive_that_would_do_what_it_must_not_is_refused(
    change: Callable[[dict[str, Any], list[Any]], None], why: str, tmp_path: Path
) -> None:
    path = forged(tmp_path / "a.tar.gz", change)
    with pytest.raises(BackupError, match=why):
        Archive(path)


def test_the_forger_s_archive_without_a_change_is_sound(tmp_path: Path) -> None:
    archive = Archive(forged(tmp_path / "a.tar.gz", lambda *_: None))
    assert [entry.member for entry in archive.manifest.entries] == ["site/site.toml"]


@given(raw=st.binary(max_size=200))
def test_no_bytes_make_a_manifest_by_chance(raw: bytes) -> None:
    with pytest.raises(BackupError):
        parse(raw)


def test_a_manifest_is_read_as_it_was_written() -> None:
    entry = Entry(kind=Kind.SITE, name="site.toml", size=1, sha256="0", mode=0o600)
    manifest = Manifest(
        version="1", made="now", site="hut", site_file="site.toml", site_folder="/a",
        state_folder="/b", entries=(entry,), left_out=("x: why",),
    )  # fmt: skip
    assert parse(manifest.text().encode()) == manifest


def test_an_archive_is_never_written_over(
    site: Path, state: Path, tmp_path: Path
) -> None:
    (tmp_path / "a.tar.gz").write_text("the only copy")
    with pytest.raises(BackupError, match="is there already"):
        made(site, state, tmp_path / "a.tar.gz")
    assert (tmp_path / "a.tar.gz").read_text() == "the only copy"


def test_a_damaged_database_leaves_no_archive_that_looks_whole(
    site: Path, state: Path, tmp_path: Path
) -> None:
    raw = bytearray((state / "journal.db").read_bytes())
    raw[4096:8192] = b"\xff" * 4096
    (state / "journal.db").write_bytes(raw)
    with pytest.raises(BackupError, match=r"journal\.db is damaged"):
        made(site, state, tmp_path / "a.tar.gz")
    assert [path.name for path in tmp_path.iterdir() if path.is_file()] == []
    assert not list(tmp_path.glob(".tocsin-*"))


def test_a_disk_without_room_is_told_before_anything_changes(
    site: Path, state: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    archive = made(site, state, tmp_path / "a.tar.gz")
    monkeypatch.setattr(
        shutil, "disk_usage", lambda _: shutil._ntuple_diskusage(9_000, 8_999, 1)
    )
    with pytest.raises(BackupError, match="has room for 0 kB"):
        restored(archive, tmp_path / "new")
    assert tree(tmp_path / "new") == {}
