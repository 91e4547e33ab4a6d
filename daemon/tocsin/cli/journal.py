"""``tocsin journal``: what happened, as the daemon wrote it down."""

from __future__ import annotations

import argparse
import json
import sys
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from tocsin.cli.common import add_site, duration_ms, example, fail, load_site
from tocsin.clock import iso_time, wall_ms
from tocsin.journal import JournalError, follow, read
from tocsin.wire import fact_words

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from tocsin.journal import Row

ABOUT = """\
Print the journal: every change of an alarm and of an output with its reason, packs
lost and returned, what people asked for, every start and stop with the hash of the
site file. Oldest first. It can be read while the daemon runs, after it has stopped, or
from a copy, and reading changes nothing.
"""

EXAMPLES = """\
  tocsin journal site.toml --last 20               the newest twenty rows
  tocsin journal site.toml --since 2h              since two hours ago
  tocsin journal site.toml --since 2026-01-09T22:00 --until 2026-01-10T06:00
                                                   one night, in this machine's zone
  tocsin journal site.toml --kind alarm command    alarms, and who did what about them
  tocsin journal site.toml --follow                go on with new rows, until Ctrl-C
  tocsin journal site.toml --json | head           one JSON object a row, times in UTC

T is a time ago (90s, 10min, 2h, 3d) or a date and time of ISO 8601; without a zone it
is this machine's. Rows are dated by the clock of the day, which may have jumped; their
order, and at_ms (the daemon's own time since the boot boot_id), did not.
Exit codes: 0 done, 1 no journal or it cannot be read, 2 site file or arguments wrong.
"""

USAGE = """\
%(prog)s SITE [--since T] [--until T] [--kind K ...] [--last N]
                      [--follow] [--utc] [--json]
"""
KINDS = ("alarm", "output", "source", "command", "note", "proof")
KIND_WIDTH = max(map(len, KINDS))
FOLLOW_LAST = 10
"""How much of the past is shown before the rows to come, if nothing else is asked."""


def register(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "journal",
        help="what happened, in order, from the daemon's own record",
        description=ABOUT,
        usage=USAGE,
    )
    add_site(parser)
    parser.add_argument(
        "--since", metavar="T", type=moment_ms, help="only rows of that time or later"
    )
    parser.add_argument(
        "--until", metavar="T", type=moment_ms, help="only rows of that time or earlier"
    )
    parser.add_argument(
        "--kind",
        metavar="K",
        nargs="+",
        action="extend",
        choices=KINDS,
        help=f"only these: {', '.join(KINDS)}",
    )
    parser.add_argument(
        "--last", metavar="N", type=_count, help="only the newest N of them"
    )
    parser.add_argument(
        "--follow",
        action="store_true",
        help=f"go on with new rows (begins with the newest {FOLLOW_LAST})",
    )
    parser.add_argument("--utc", action="store_true", help="times in UTC, not local")
    parser.add_argument("--json", action="store_true", help="JSON Lines, one a row")
    example(parser, EXAMPLES)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print the rows, and return the exit code."""
    if args.follow and args.until is not None:
        fail("--follow goes on for ever: it cannot be used with --until")
        return 2
    setup = load_site(args.site)
    if setup is None:
        return 2
    is_any = False
    try:
        for row in _rows(args, setup.journal_folder):
            print(row_json(row) if args.json else row_words(row, is_utc=args.utc))
            is_any = True
            if args.follow:
                sys.stdout.flush()
    except JournalError as exc:
        sys.stdout.flush()
        fail(exc)
        return 1
    except KeyboardInterrupt:
        if not args.follow:
            raise
    if not is_any and not args.json:
        fail("no such rows in the journal")
    return 0


def moment_ms(text: str) -> int:
    """Return the time of day in ms of a time ago, or of a date of ISO 8601.

    Raises:
        argparse.ArgumentTypeError: it is neither.
    """
    try:
        return wall_ms() - duration_ms(text)
    except argparse.ArgumentTypeError:
        pass
    try:
        moment = datetime.fromisoformat(text)
        return round(moment.timestamp() * 1_000)
    except (ValueError, OverflowError, OSError) as exc:
        raise argparse.ArgumentTypeError(
            f"{text!r} is no time; write 90s, 10min, 2h, 3d, or 2026-01-09T22:00"
        ) from exc


def row_json(row: Row) -> str:
    """Return one JSON object: the fact, and where and when it stands."""
    placed = {
        "id": row.id,
        "at": iso_time(row.wall_ms),
        "boot_id": row.boot_id,
        "run_id": row.run_id,
        "at_ms": row.at_ms,
    }
    return json.dumps(placed | json.loads(row.detail))


def row_words(row: Row, *, is_utc: bool) -> str:
    """Return one line: time with its offset from UTC, kind, and what happened."""
    moment = datetime.fromtimestamp(row.wall_ms / 1_000, tz=UTC)
    if not is_utc:
        moment = moment.astimezone()
    at = moment.isoformat(sep=" ", timespec="milliseconds")
    words = _harmless(fact_words(json.loads(row.detail)))
    return f"{at}  {row.kind:<{KIND_WIDTH}}  {words}"


def _rows(args: argparse.Namespace, folder: Path) -> Iterator[Row]:
    kinds = args.kind or ()
    if not args.follow:
        return read(
            folder,
            since_ms=args.since,
            until_ms=args.until,
            kinds=kinds,
            last=args.last,
        )
    last = args.last
    if last is None and args.since is None:
        last = FOLLOW_LAST
    return follow(folder, since_ms=args.since, kinds=kinds, last=last)


def _harmless(text: str) -> str:
    """Escape what would move the cursor or break the line; people's words get in."""
    return "".join(
        c if c.isprintable() else c.encode("unicode_escape").decode() for c in text
    )


def _count(text: str) -> int:
    try:
        count = int(text)
    except ValueError:
        count = 0
    if count < 1:
        raise argparse.ArgumentTypeError(f"{text!r} is no number of rows from 1 up")
    return count
