"""``tocsin run``: the daemon."""

from __future__ import annotations

import logging
import sys
from typing import TYPE_CHECKING

from tocsin.app import run_until_told
from tocsin.cli.common import add_site, example, fail, load_site
from tocsin.control import AlreadyServedError
from tocsin.installed import SetupError
from tocsin.ports import DriverError
from tocsin.shell import UnsoundStepError
from tocsin.wire import fact_json, fact_words

if TYPE_CHECKING:
    import argparse
    from collections.abc import Sequence

    from tocsin.core.engine import Outcome
    from tocsin.core.events import Fact

EXAMPLES = """\
Check the file first (tocsin check SITE); see what runs with tocsin show SITE.
SIGTERM or Ctrl-C stops it within 5 s; every permit drops at once.
"""


class LogRoom:
    """Writes what became true to standard error, for the system's log."""

    def tell(self, facts: Sequence[Fact]) -> None:
        """Write one line a fact."""
        for fact in facts:
            print(fact_words(fact_json(fact)), file=sys.stderr, flush=True)

    def stepped(self, outcome: Outcome) -> None:
        """Nothing to write."""


def register(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "run", help="the daemon", description="Watch a bank and hold its outputs."
    )
    add_site(parser)
    parser.add_argument(
        "--quiet", action="store_true", help="do not write events to standard error"
    )
    example(parser, EXAMPLES)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Run the daemon until told to stop, and return the exit code."""
    setup = load_site(args.site)
    if setup is None:
        return 2
    if setup.page is not None and not args.quiet:
        print(f"tocsin: the page is at {setup.page.url}", file=sys.stderr, flush=True)
    logging.basicConfig(level=logging.CRITICAL)
    try:
        run_until_told(setup, guests=() if args.quiet else (LogRoom(),))
    except (SetupError, DriverError, AlreadyServedError) as exc:
        fail(exc)
        return 1
    except ExceptionGroup as group:
        unsound, bugs = group.split(UnsoundStepError)
        if bugs is not None:
            raise
        for each in unsound.exceptions if unsound else ():
            fail(f"stopped, every permit dropped: {each}")
        return 1
    return 0
