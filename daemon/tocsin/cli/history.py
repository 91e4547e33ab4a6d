"""``tocsin history``: what is kept, and a trace of it."""

from __future__ import annotations

import json
import sys
from typing import TYPE_CHECKING, Any

from tocsin.cli.common import add_site, example, fail, load_site
from tocsin.cli.journal import moment_ms
from tocsin.clock import iso_time, wall_ms
from tocsin.history import HistoryError, reader
from tocsin.replay.export import trace_header, write_trace

if TYPE_CHECKING:
    import argparse
    from pathlib import Path

    from tocsin_config import Setup

ABOUT = """\
The history holds samples of every pack: each one for a time, then least, mean and
largest of every minute, then of every quarter of an hour. Without a verb this says what
is kept; `export` writes it as a trace (CSV, times in seconds since 1970) to standard
output, for `tocsin replay` with other limits or for a spreadsheet.
"""
EXAMPLES = """\
  tocsin history site.toml                         what is kept, and its room
  tocsin history site.toml export --from 7d > week.csv
  tocsin history site.toml export --from 2026-01-09T22:00 --to 2026-01-10T06:00 \\
      --pack right > night.csv
  tocsin replay tomorrow.toml week.csv             the same week under other limits

T is a time ago (90s, 10min, 2h, 3d) or a date and time of ISO 8601. Where only minutes
or quarters of an hour are kept, rows lie on straight lines between their means: shorter
dips are not in the trace, and a note on standard error says so.
Exit codes: 0 done, 1 no history or it cannot be read, 2 site file or arguments wrong.
"""


def register(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "history",
        help="what samples are kept, and a trace of them for replay",
        description=ABOUT,
    )
    add_site(parser)
    parser.add_argument(
        "verb", nargs="?", choices=("show", "export"), default="show", metavar="VERB",
        help="show (the default) or export",
    )  # fmt: skip
    parser.add_argument(
        "--from", dest="since", metavar="T", type=moment_ms, help="default: the oldest"
    )
    parser.add_argument(
        "--to", dest="until", metavar="T", type=moment_ms, help="default: the newest"
    )
    parser.add_argument(
        "--pack", metavar="NAME", action="append", default=[], help="only this pack"
    )
    parser.add_argument("--json", action="store_true", help="with show: one object")
    example(parser, EXAMPLES)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Show or export, and return the exit code."""
    setup = load_site(args.site)
    if setup is None:
        return 2
    unknown = [pack for pack in args.pack if pack not in setup.site.pack_at]
    if unknown:
        fail(
            f"the site has no pack {unknown[0]}; it has {', '.join(setup.site.pack_at)}"
        )
        return 2
    since_ms = 0 if args.since is None else args.since
    until_ms = wall_ms() if args.until is None else args.until
    if until_ms < since_ms:
        fail("--to is before --from")
        return 2
    try:
        if args.verb == "export":
            return _export(setup.journal_folder, args.pack, since_ms, until_ms)
        return _show(setup, is_json=args.json)
    except HistoryError as exc:
        sys.stdout.flush()
        fail(exc)
        return 1


def _export(folder: Path, packs: list[str], since_ms: int, until_ms: int) -> int:
    covered = reader.span(folder)
    if covered is None or covered[0] > until_ms or covered[1] < since_ms:
        fail("nothing is kept of that time")
        return 1
    names = {name for of in reader.names(folder).values() for name in of}
    kept = reader.samples(
        folder,
        since_ms=max(since_ms, covered[0]),
        until_ms=min(until_ms, covered[1]),
        packs=packs,
    )
    done = write_trace(kept, trace_header(names), sys.stdout)
    if done.thinned:
        print(
            f"tocsin: {done.thinned} of {done.rows} rows lie between means of a minute "
            "or of a quarter of an hour: what was shorter is not in this trace",
            file=sys.stderr,
        )
    return 0


def _show(setup: Setup, *, is_json: bool) -> int:
    folder = setup.journal_folder
    covered, every = reader.span(folder), reader.names(folder)
    size_mb = reader.history_path(folder).stat().st_size / 1e6
    said: dict[str, Any] = {
        "file": str(reader.history_path(folder)),
        "size_mb": round(size_mb, 2),
        "from": None if covered is None else iso_time(covered[0]),
        "to": None if covered is None else iso_time(covered[1]),
        "tiers": reader.tiers(folder),
        "packs": every,
    }
    if is_json:
        print(json.dumps(said))
        return 0
    print(f"{said['file']}: {size_mb:.1f} MB")
    if covered is None:
        print("nothing is kept yet")
        return 0
    for tier in said["tiers"]:
        print(
            f"  {tier['tier']:<8} {tier['from']} to {tier['to']}, {tier['mb']:.1f} MB"
        )
    for pack, names in every.items():
        print(f"  pack {pack}: {', '.join(_short(names))}")
    return 0


def _short(names: list[str]) -> list[str]:
    """Return names with the numbered ones counted."""
    counts: dict[str, int] = {}
    for name in names:
        word = name.partition("/")[0]
        counts[word] = counts.get(word, 0) + 1
    return [word if n == 1 else f"{n} {word}s" for word, n in counts.items()]
