"""``tocsin incident``: why did it go dark at three in the morning?"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tocsin.cli.common import add_site, example, fail, load_site
from tocsin.cli.journal import moment_ms
from tocsin.clock import iso_time, wall_ms
from tocsin.history import HistoryError, reader
from tocsin.history.sampling import limits_json
from tocsin.incident import (
    ABOUT,
    EPOCH_MS,
    Records,
    Rules,
    Times,
    Told,
    case_of,
    headline,
    incidents,
    nearest,
    page,
    told_of,
    warned,
)
from tocsin.journal import JournalError, read

if TYPE_CHECKING:
    import argparse
    from collections.abc import Sequence

    from tocsin.incident import Case, Incident
    from tocsin_config import Setup

EXAMPLES = """\
  tocsin incident site.toml --list --since 90d   what there was in the last 90 days
  tocsin incident site.toml                      a report of the newest one
  tocsin incident site.toml --at 2026-01-10T03:00 --out dark.html
  tocsin replay site.toml night.csv --incident night.html
                                                 the same of a recorded trace

The report is one HTML file without scripts: it can be sent, kept and printed. It is
made from the journal (every row) and the history (samples; see `tocsin history`), and
changes neither. T is a time ago (2h, 3d) or a date and time of ISO 8601.
Exit codes: 0 done, 1 no journal or no incident, 2 site file or arguments wrong.
"""
DAY_MS = 86_400_000


def register(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "incident",
        help="a report of what happened around a cut-off, to print and hand over",
        description=f"Write a report of one incident.\n\n{ABOUT}",
    )
    add_site(parser)
    which = parser.add_mutually_exclusive_group()
    which.add_argument(
        "--at", metavar="T", type=moment_ms, help="the incident nearest to that time"
    )
    which.add_argument("--last", action="store_true", help="the newest (the default)")
    which.add_argument("--list", action="store_true", help="one line an incident")
    parser.add_argument(
        "--since",
        metavar="T",
        type=moment_ms,
        help="look no further back (default: the whole journal)",
    )
    parser.add_argument(
        "--out", metavar="FILE.html", type=Path, help="default incident-TIME.html"
    )
    parser.add_argument("--json", action="store_true", help="with --list: JSON Lines")
    example(parser, EXAMPLES)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Report or list, and return the exit code."""
    setup = load_site(args.site)
    if setup is None:
        return 2
    since_ms = args.since if args.at is None else args.at - DAY_MS
    until_ms = None if args.at is None else args.at + DAY_MS
    folder = setup.journal_folder
    try:
        told = told_of(read(folder, since_ms=since_ms, until_ms=until_ms))
    except JournalError as exc:
        fail(exc)
        return 1
    rules = Rules(limits_json(setup.site, sha256=setup.sha256))
    found, times = incidents(told, rules), Times(None, is_day=True)
    if args.list:
        say_list(found, Records(told, rules, None), times, is_json=args.json)
        return 0
    chosen = nearest(found, wall_ms() if args.at is None else args.at)
    if chosen is None:
        fail("no incident is in the journal then")
        return 1
    rules = _rules_then(setup, chosen.main.at_ms) or rules
    name = iso_time(chosen.main.at_ms)[:19].replace(":", "")
    out = Path(f"incident-{name}.html") if args.out is None else args.out
    case = case_of(chosen, Records(told, rules, folder))
    return write(case, times, out, origin=f"the journal in {folder}")


def write(
    case: Case, times: Times, out: Path, *, origin: str, is_quiet: bool = False
) -> int:
    """Write one report and say what it says; return the exit code."""
    try:
        out.write_text(page(case, times, origin=origin), encoding="utf-8")
    except OSError as exc:
        fail(f"{out}: {exc.strerror}")
        return 1
    if not is_quiet:
        print(headline(case, times))
        print(warned(case, times))
        print(f"The report is {out}")
    return 0


def say_list(
    found: Sequence[Incident], records: Records, times: Times, *, is_json: bool
) -> None:
    """Print one line an incident."""
    for each in found:
        case = case_of(each, records)
        if is_json:
            print(json.dumps(_as_json(each, case.side, times)))
            continue
        begun = times.full(each.main.at_ms)
        print(f"{begun}  {each.name}: {headline(case, times)} {warned(case, times)}")
    if not found and not is_json:
        print("no incident is in the journal then", file=sys.stderr)


def times_of(told: Sequence[Told]) -> Times:
    """Return how the times of a trace are said: large ones are times of day."""
    return Times(None, is_day=bool(told) and told[0].at_ms >= EPOCH_MS)


def _as_json(each: Incident, side: str, times: Times) -> dict[str, Any]:
    def when(at_ms: int) -> Any:  # noqa: ANN401 a time of day or seconds
        return iso_time(at_ms) if times.is_day else at_ms / 1000

    main = each.main
    return {
        "at": when(main.at_ms),
        "from": when(each.from_ms),
        "to": when(each.to_ms),
        "incident": each.name,
        "danger": side or None,
        "subject": main.subject,
        "because": list(main.causes),
    }


def _rules_then(setup: Setup, at_ms: int) -> Rules | None:
    """Return the limits in force then, if the history knows them."""
    try:
        document = reader.limits(setup.journal_folder, at_ms)
    except HistoryError:
        return None
    return None if document is None else Rules(document)
