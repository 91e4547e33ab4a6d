"""``tocsin doctor``: is this machine fit to run the daemon, and what is to be done."""

from __future__ import annotations

import json
import sys
from dataclasses import asdict
from textwrap import fill
from typing import TYPE_CHECKING

from tocsin.cli.common import add_site, example, load_site
from tocsin.doctor import State, examine

if TYPE_CHECKING:
    import argparse
    from collections.abc import Sequence

    from tocsin.doctor import Finding

ABOUT = """\
Look at the machine that the daemon runs on, or will: service and watchdogs, pins,
buses and who answers on them, clock, disk, journal, memory and supply, broker, secrets,
software. Say of each what was seen, what that means and what to do, worst first.
"""

ENDING = """\
  tocsin doctor /etc/tocsin/site.toml          what is not good, and what to do
  tocsin doctor /etc/tocsin/site.toml --all    what is good as well
  tocsin doctor /etc/tocsin/site.toml --json   for a program: ok, counts, findings

States: wrong (put it right), doubtful (it works; look into it), could not be told
(it was not seen, which is never good), good.
Exit codes: 0 nothing is wrong, 1 something is wrong, 2 the site file or the arguments
are wrong.

It writes nothing, claims no pin and moves none. Packs are asked through the running
daemon; only where none runs are Modbus units asked over their own line, by reads. The
broker is asked with the site's own account, and nothing is said to it. Run it as root:
others do not see everything. A machine without faults is not a proved output: that is
`tocsin prove`.
"""

WIDTH = 88
INDENT = " " * 4
MARKS = {
    State.WRONG: "WRONG",
    State.DOUBTFUL: "DOUBTFUL",
    State.UNTOLD: "NOT TOLD",
    State.GOOD: "good",
}


def register(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "doctor",
        help="is this machine fit to run the daemon, and what is to be done",
        description=ABOUT,
    )
    add_site(parser)
    parser.add_argument("--all", action="store_true", help="what is good as well")
    parser.add_argument("--json", action="store_true", help="one JSON object")
    parser.add_argument(
        "--unit",
        metavar="NAME",
        default="tocsin.service",
        help="the service manager's name for the daemon (%(default)s)",
    )
    example(parser, ENDING)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Look and say, and return the exit code."""
    setup = load_site(args.site)
    if setup is None:
        return 2
    is_watched = sys.stderr.isatty()
    findings = examine(
        setup, unit=args.unit, on_look=_say_look if is_watched else lambda _: None
    )
    if is_watched:
        print("\r\033[K", end="", file=sys.stderr, flush=True)
    if args.json:
        print(json.dumps(report(setup.site.name, findings)))
    else:
        _say(findings, whole=args.all)
    return int(any(each.state is State.WRONG for each in findings))


def _say_look(topic: str) -> None:
    print(f"\r\033[Klooking at {topic} ...", end="", file=sys.stderr, flush=True)


def report(site: str, findings: Sequence[Finding]) -> dict[str, object]:
    """Return all findings for a program."""
    counts = {state.value: _count(findings, state) for state in State}
    return {
        "site": site,
        "ok": not counts[State.WRONG],
        "counts": counts,
        "findings": [asdict(each) for each in findings],
    }


def _say(findings: Sequence[Finding], *, whole: bool) -> None:
    for each in findings:
        if each.state is State.GOOD:
            if whole:
                print(f"good: {each.topic}: {each.looked_at}: {each.seen}")
            continue
        print(f"{MARKS[each.state]}: {each.topic}: {each.looked_at}: {each.seen}")
        print(_part(f"means: {each.means}"))
        print(_part(f"do: {each.todo}"))
    counts = (f"{_count(findings, s)} {MARKS[s].lower()}" for s in State)
    print(", ".join(counts))


def _part(text: str) -> str:
    return fill(
        text,
        WIDTH,
        initial_indent=INDENT,
        subsequent_indent=INDENT * 2,
        break_on_hyphens=False,
        break_long_words=False,
    )


def _count(findings: Sequence[Finding], state: State) -> int:
    return sum(each.state is state for each in findings)
