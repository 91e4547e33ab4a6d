"""``tocsin replay``: the same core over a recorded trace."""

from __future__ import annotations

import argparse
import json
import re
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rich.console import Console

from tocsin.cli.common import add_site, example, fail, load_site
from tocsin.cli.compared import table
from tocsin.cli.incident import times_of, write
from tocsin.clock import stopwatch_s
from tocsin.core.hours import HOUR_MS, MINUTE_MS
from tocsin.history.sampling import limits_json
from tocsin.incident import Recording, Records, Rules, case_of, incidents
from tocsin.replay import Played, Told, play
from tocsin.replay.compare import compared, tally
from tocsin.trace import TraceError, read_trace
from tocsin.wire import fact_json, fact_words, forecast_json

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from tocsin.core.events import Fact
    from tocsin.trace import Row
    from tocsin_config import Setup

EXAMPLES = """\
A trace is CSV: t_s,pack,current_a,soc_pct,cell_v_1..cell_v_N,temp_c_1..temp_c_M, one
row a pack and time, current positive while charging, an empty field where nothing was
read. Every pack of the site that has no rows counts as a lost source.

  tocsin replay site.toml night.csv                what would have happened, in words
  tocsin replay site.toml night.csv --json         the same as JSON Lines
  tocsin replay site.toml night.csv --forecasts    and how long every limit is away
  tocsin replay site.toml night.csv --compare tomorrow.toml
                                                   what each set of limits would do
  tocsin replay site.toml night.csv --incident night.html
                                                   a report of the worst that happened
A trace of what the daemon saw: tocsin history site.toml export --from 7d > week.csv
"""
PROGRESS_ROWS = 20_000


def register(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "replay",
        help="the same core over a recorded trace, as fast as it goes",
        description="Play a recorded trace through the rules of a site file.",
    )
    add_site(parser)
    parser.add_argument("trace", metavar="TRACE", type=Path, help="the trace, CSV")
    parser.add_argument("--json", action="store_true", help="JSON Lines, one an event")
    parser.add_argument(
        "--forecasts",
        action="store_true",
        help="with forecast rows, at most one a limit every 10 s of trace",
    )
    parser.add_argument(
        "--starts-at",
        metavar="HH:MM",
        type=_time_of_day,
        default=0,
        help="local time of the first row, for quiet hours and mornings (00:00)",
    )
    more = parser.add_mutually_exclusive_group()
    more.add_argument(
        "--compare",
        metavar="OTHER_SITE",
        type=Path,
        help="only alarms, lead times, minutes shed and refused, side by side",
    )
    more.add_argument(
        "--incident", metavar="FILE.html", type=Path, help="write an incident report"
    )
    example(parser, EXAMPLES)
    parser.set_defaults(run=run)


def _time_of_day(text: str) -> int:
    """Return ``HH:MM`` in ms since midnight."""
    if not re.fullmatch(r"([01]\d|2[0-3]):[0-5]\d", text):
        raise argparse.ArgumentTypeError(f"{text!r} is no time of day such as 21:30")
    hours, _, minutes = text.partition(":")
    return int(hours) * HOUR_MS + int(minutes) * MINUTE_MS


def run(args: argparse.Namespace) -> int:
    """Replay, and return the exit code."""
    setup = load_site(args.site)
    if setup is None:
        return 2
    try:
        if args.compare is not None:
            return _compare(args, setup)
        if args.incident is not None:
            with tempfile.TemporaryDirectory(prefix="tocsin-replay-") as folder:
                return _report(args, setup, Path(folder))
        _play(args, setup, lambda rows, _: rows, lambda _: None)
    except TraceError as exc:
        sys.stdout.flush()
        fail(exc)
        return 2
    return 0


def _play(
    args: argparse.Namespace,
    setup: Setup,
    watched: Callable[[Iterator[Row], Played], Iterator[Row]],
    hear: Callable[[Fact], None],
) -> None:
    """Play and print, while *watched* sees the rows and *hear* the facts."""
    say = _say_json if args.json else _say_words
    played, begun_s = Played(), stopwatch_s()
    rows = watched(_watched(read_trace(args.trace), played), played)
    for fact in play(
        rows,
        setup.site,
        played,
        forecasts=args.forecasts,
        starts_at_ms=args.starts_at,
    ):
        say(fact)
        if not isinstance(fact, Told):
            hear(fact)
    _sum_up(played, stopwatch_s() - begun_s, is_json=args.json)


def _report(args: argparse.Namespace, setup: Setup, folder: Path) -> int:
    """Play, and write a report of the worst incident; return the exit code."""
    recording = Recording(folder, setup.site)
    _play(args, setup, recording.watched, recording.say)
    rules = Rules(limits_json(setup.site, sha256=setup.sha256))
    found = incidents(recording.told, rules)
    if not found:
        fail(f"nothing in {args.trace} is an incident; no report was written")
        return 1
    worst = max(found, key=lambda each: each.main.grade)
    case = case_of(worst, Records(recording.told, rules, folder))
    origin = f"a replay of {args.trace.name}"
    times = times_of(recording.told)
    return write(case, times, args.incident, origin=origin, is_quiet=args.json)


def _compare(args: argparse.Namespace, setup: Setup) -> int:
    other = load_site(args.compare)
    if other is None:
        return 2
    is_plain = args.site.name != args.compare.name
    shown = [p.name if is_plain else str(p) for p in (args.site, args.compare)]
    names = (shown[0], shown[1])
    tallies = [
        tally(
            _watched(read_trace(args.trace), Played()),
            each.site,
            starts_at_ms=args.starts_at,
        )
        for each in (setup, other)
    ]
    said = compared(names, (tallies[0], tallies[1]))
    if args.json:
        print(json.dumps(said))
    else:
        Console(highlight=False).print(table(said))
    return 0


def _flat(said: Fact | Told) -> Mapping[str, Any]:
    if isinstance(said, Told):
        return forecast_json(said.pack, said.forecast)
    return fact_json(said)


def _say_json(said: Fact | Told) -> None:
    print(json.dumps({"t_s": said.at_ms / 1000, **_flat(said)}))


def _say_words(said: Fact | Told) -> None:
    print(f"{said.at_ms / 1000:12.1f} s  {fact_words(_flat(said))}")


def _watched(rows: Iterator[Row], played: Played) -> Iterator[Row]:
    """Show on a terminal how far it has come."""
    is_watched = sys.stderr.isatty()
    for row in rows:
        if is_watched and played.rows % PROGRESS_ROWS == 0 and played.rows:
            hours = played.trace_s / 3_600
            print(f"\r{played.rows} rows, {hours:.1f} h", end="", file=sys.stderr)
        yield row
    if is_watched and played.rows >= PROGRESS_ROWS:
        print(file=sys.stderr)


def _sum_up(played: Played, wall_s: float, *, is_json: bool) -> None:
    rows_per_s = round(played.rows / wall_s) if wall_s > 0 else None
    if is_json:
        summary = {
            "kind": "summary",
            "rows": played.rows,
            "trace_s": played.trace_s,
            "wall_s": round(wall_s, 3),
            "rows_per_s": rows_per_s,
        }
        print(json.dumps(summary))
    else:
        print(
            f"{played.rows} rows, {played.trace_s:.0f} s of trace in {wall_s:.2f} s "
            f"({rows_per_s} rows/s)"
        )
