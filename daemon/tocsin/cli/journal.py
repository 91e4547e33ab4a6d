"""``tocsin journal``: what happened."""

from __future__ import annotations

import argparse
import json
import re
import sys
import threading
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from tocsin.cli.common import add_site, duration_ms, example, fail, load_site
from tocsin.clock import iso_time, wall_ms
from tocsin.journal import JournalError, read
from tocsin.wire import fact_words

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tocsin.journal import Row

KINDS = ("alarm", "output", "source", "command", "note")
LOOK_AGAIN_S = 0.5

EXAMPLES = """\
  tocsin journal site.toml --since 12h               what happened last night
  tocsin journal site.toml --kind alarm --last 20    the last alarms
  tocsin journal site.toml --since 2026-01-16T22:00  from a time on (UTC)
  tocsin journal site.toml --follow                  and go on as it happens
  tocsin journal site.toml --json | jq .message      one JSON object a row
Times are UTC. Ids run from 1 without a gap: a gap means that rows were removed.
"""


def register(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "journal",
        help="what happened: alarms, outputs, losses, commands",
        description="Read the journal; the daemon may be running or not.",
    )
    add_site(parser)
    when = "a time of day (2026-01-16T22:00, UTC) or how long ago (90s, 12h, 3d)"
    parser.add_argument("--since", type=moment_ms, metavar="TIME", help=when)
    parser.add_argument("--until", type=moment_ms, metavar="TIME", help=when)
    parser.add_argument(
        "--kind",
        choices=KINDS,
        action="append",
        default=[],
        help="only this kind; may be given again",
    )
    parser.add_argument("--last", type=_count, metavar="N", help="only the newest N")
    parser.add_argument("--follow", action="store_true", help="go on until stopped")
    parser.add_argument("--json", action="store_true", help="one JSON object a row")
    example(parser, EXAMPLES)
    parser.set_defaults(run=run)


def moment_ms(text: str) -> int:
    """Return ms since 1970 of an ISO 8601 time, or of a duration before now.

    Raises:
        argparse.ArgumentTypeError: it is neither.
    """
    if re.fullmatch(r"[\d.]+\s*[a-z]+", text):
        return wall_ms() - duration_ms(text)
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(
            f"{text!r} is no time; write 2026-01-16T22:00, or 12h for twelve hours ago"
        ) from None
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=UTC)
    return round(moment.timestamp() * 1000)


def _count(text: str) -> int:
    if not text.isdigit() or int(text) == 0:
        raise argparse.ArgumentTypeError(f"{text!r} is no number of rows from 1 on")
    return int(text)


def run(args: argparse.Namespace) -> int:
    """Print the rows, and return the exit code."""
    setup = load_site(args.site)
    if setup is None:
        return 2
    folder, kinds = setup.journal_folder, args.kind
    say = _say_json if args.json else _say_words
    try:
        newest = max((row.id for row in read(folder, last=1)), default=0)
        rows = read(
            folder,
            since_ms=args.since,
            until_ms=args.until,
            kinds=kinds,
            last=args.last,
        )
        say(rows)
        newest = max((row.id for row in rows), default=newest)
        if not rows and not args.json:
            print("No such rows.", file=sys.stderr)
        while args.follow:
            sys.stdout.flush()
            threading.Event().wait(LOOK_AGAIN_S)
            rows = read(folder, kinds=kinds, after_id=newest)
            say(rows)
            newest = max((row.id for row in rows), default=newest)
    except JournalError as exc:
        fail(exc)
        return 1
    return 0


def _say_json(rows: Sequence[Row]) -> None:
    for row in rows:
        stamped: dict[str, Any] = {
            "id": row.id,
            "at": iso_time(row.wall_ms),
            **json.loads(row.detail),
            "at_ms": row.at_ms,
            "boot_id": row.boot_id,
            "run_id": row.run_id,
        }
        print(json.dumps(stamped))


def _say_words(rows: Sequence[Row]) -> None:
    for row in rows:
        at = iso_time(row.wall_ms).replace("T", " ")[:19]
        print(f"{at}  {row.kind:<7}  {fact_words(json.loads(row.detail))}")
