"""``tocsin replay``: the same core over a recorded trace."""

from __future__ import annotations

import argparse
import json
import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tocsin.cli.common import add_site, example, fail, load_site
from tocsin.clock import stopwatch_s
from tocsin.core.hours import HOUR_MS, MINUTE_MS
from tocsin.replay import Played, Told, play
from tocsin.trace import TraceError, read_trace
from tocsin.wire import fact_json, fact_words, forecast_json

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from tocsin.core.events import Fact
    from tocsin.trace import Row

EXAMPLES = """\
A trace is CSV: t_s,pack,current_a,soc_pct,cell_v_1..cell_v_N,temp_c_1..temp_c_M, one
row a pack and time, current positive while charging, an empty field where nothing was
read. Every pack of the site that has no rows counts as a lost source.

  tocsin replay site.toml night.csv                what would have happened, in words
  tocsin replay site.toml night.csv --json         the same as JSON Lines
  tocsin replay site.toml night.csv --forecasts    and how long every limit is away
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
    say = _say_json if args.json else _say_words
    played, begun_s = Played(), stopwatch_s()
    rows = _watched(read_trace(args.trace), played)
    try:
        for fact in play(
            rows,
            setup.site,
            played,
            forecasts=args.forecasts,
            starts_at_ms=args.starts_at,
        ):
            say(fact)
    except TraceError as exc:
        sys.stdout.flush()
        fail(exc)
        return 2
    _sum_up(played, stopwatch_s() - begun_s, is_json=args.json)
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
