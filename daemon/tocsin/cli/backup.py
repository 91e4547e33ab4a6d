"""``tocsin backup`` and ``tocsin restore``: one archive of all a site would miss."""

from __future__ import annotations

import sys
import tomllib
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from tocsin import control
from tocsin.backup import (
    Archive,
    BackupError,
    Kind,
    Places,
    collect,
    put_back,
    write,
)
from tocsin.backup.unpack import in_the_way
from tocsin.cli.common import add_site, example, fail, load_site
from tocsin.clock import wall_ms
from tocsin_config import SiteFileError, load

if TYPE_CHECKING:
    import argparse

    from tocsin.backup import Entry

ABOUT = """\
Write the site file, the files it names (register maps, DBC files), the journal, the
history, what the forecast learned, the counts and every signed record into one archive
(tar, gzip). The daemon may run: databases are copied as of one moment, and checked.
Secrets (password and token files, private keys) are left out unless --secrets is given;
the archive is then one as well.
"""
EXAMPLES = """\
  tocsin backup /etc/tocsin/site.toml /media/stick/fern-ridge.tar.gz
  tocsin restore --list /media/stick/fern-ridge.tar.gz     is it whole, what is in it

Keep it somewhere else than on the card it is a backup of.
Exit codes: 0 done, 1 failed and no archive is left, 2 the site file or arguments wrong.
"""
RESTORE = """\
Put back what `tocsin backup` wrote. The archive is read to its end and checked before
anything is changed. Files that are there already are not touched: then nothing is done,
and they are named; with --replace they stay beside the new ones under another name. All
files go back or none. The daemon must not run.
"""
RESTORE_EXAMPLES = """\
  tocsin restore --list fern-ridge.tar.gz
  systemctl stop tocsin && tocsin restore fern-ridge.tar.gz --replace
  tocsin restore fern-ridge.tar.gz --only state --replace    journal and records alone
  tocsin restore fern-ridge.tar.gz --site-folder look --state-folder look/state

Files get the owner of the folder they come into; `sudo sh deploy/install.sh` sets the
rights of /etc/tocsin once more. Exit codes: 0 done, 1 failed and nothing was changed, 2
arguments wrong.
"""


def register(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add both commands."""
    parser = commands.add_parser(
        "backup",
        help="write site, journal and records into one file",
        description=ABOUT,
    )
    add_site(parser)
    parser.add_argument("file", metavar="FILE", type=Path, help="a new file, .tar.gz")
    parser.add_argument("--secrets", action="store_true", help="take secrets along")
    parser.add_argument(
        "--without-history", action="store_true", help="leave the samples out"
    )
    example(parser, EXAMPLES)
    parser.set_defaults(run=run_backup)
    parser = commands.add_parser(
        "restore", help="put back what `tocsin backup` wrote", description=RESTORE
    )
    parser.add_argument("file", metavar="FILE", type=Path, help="the archive")
    parser.add_argument(
        "--list", action="store_true", help="only check it and say what it holds"
    )
    parser.add_argument("--only", choices=[*Kind], help="only files of this kind")
    parser.add_argument(
        "--site-folder", metavar="F", type=Path, help="default: where it was"
    )
    parser.add_argument(
        "--state-folder", metavar="F", type=Path, help="default: where it was"
    )
    parser.add_argument(
        "--replace", action="store_true", help="put files that are there aside"
    )
    example(parser, RESTORE_EXAMPLES)
    parser.set_defaults(run=run_restore)


def run_backup(args: argparse.Namespace) -> int:
    """Write an archive and return the exit code."""
    setup = load_site(args.site)
    if setup is None:
        return 2
    found = collect(
        args.site,
        tomllib.loads(args.site.read_text("utf-8")),
        setup.journal_folder,
        site=setup.site.name,
        with_secrets=args.secrets,
        with_history=not args.without_history,
    )
    try:
        manifest = write(found, args.file, wall_ms=wall_ms(), tell=_progress)
        Archive(args.file)
    except (BackupError, OSError) as exc:
        fail(f"no backup was made: {exc}")
        return 1
    for each in manifest.left_out:
        print(f"left out: {each}")
    size_kb = max(1, args.file.stat().st_size // 1000)
    print(f"{args.file}: {len(manifest.entries)} files, {size_kb} kB, read back, whole")
    return 0


def run_restore(args: argparse.Namespace) -> int:
    """Put an archive's files back and return the exit code."""
    try:
        archive = Archive(args.file)
        if args.list:
            return _list(archive)
        return _restore(archive, args)
    except (BackupError, OSError) as exc:
        fail(f"nothing was restored: {exc}")
        return 1


def _restore(archive: Archive, args: argparse.Namespace) -> int:
    manifest = archive.manifest
    places = Places(
        site=args.site_folder or Path(manifest.site_folder),
        state=args.state_folder or Path(manifest.state_folder),
    )
    wanted = [e for e in manifest.entries if args.only in {None, e.kind}]
    if not wanted:
        raise BackupError(f"the archive holds no {args.only} files")
    _refuse_while_it_runs(places.state)
    there = in_the_way(wanted, places)
    if there and not args.replace:
        for path in there:
            fail(f"is there already: {path}")
        raise BackupError("--replace puts what is there aside and goes on")
    moved = put_back(
        archive,
        wanted,
        places,
        aside=f".before-restore-{wall_ms() // 1000}",
        check=partial(_check_site, archive),
    )
    for path in moved:
        print(f"what was there is now {path}")
    for each in manifest.left_out:
        print(f"not in the archive: {each}")
    print(
        f"{len(wanted)} files of {manifest.site}, {manifest.made}, are back: site in "
        f"{places.site}, state in {places.state}"
    )
    return 0


def _refuse_while_it_runs(state: Path) -> None:
    path = control.socket_path(state)
    try:
        control.ask(path, {"do": "show"})
    except control.ForbiddenError:
        pass
    except control.ControlError:
        return
    raise BackupError(f"the daemon of {state} runs; first: systemctl stop tocsin")


def _check_site(archive: Archive, staged: dict[Entry, Path]) -> None:
    """See that the site file would be taken, with the files that it names.

    A mistake in it is told and does not stop anything: it was the site's own.
    """
    manifest = archive.manifest
    for entry, copy in staged.items():
        if entry.kind is not Kind.SITE or entry.name != manifest.site_file:
            continue
        folder = copy.parent / "site"
        for each, path in staged.items():
            if each.kind is Kind.SITE:
                target = folder / each.name
                target.parent.mkdir(parents=True, exist_ok=True)
                target.symlink_to(path)
        try:
            load(folder / manifest.site_file)
        except SiteFileError as exc:
            fail(f"note: {manifest.site_file} has mistakes: {exc.problems[0]}")


def _list(archive: Archive) -> int:
    manifest = archive.manifest
    print(f"{manifest.site}, {manifest.made}, by tocsin {manifest.version}: whole")
    print(f"site from {manifest.site_folder}, state from {manifest.state_folder}")
    for entry in manifest.entries:
        secret = "  secret" if entry.is_secret else ""
        print(f"  {entry.size:>12}  {entry.member}{secret}")
    for each in manifest.left_out:
        print(f"  left out: {each}")
    return 0


def _progress(text: str) -> None:
    print(f"  {text}", file=sys.stderr, flush=True)
