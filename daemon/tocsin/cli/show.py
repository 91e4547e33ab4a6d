"""``tocsin show``: what a running daemon sees and demands now."""

from __future__ import annotations

import json
import sys
from typing import TYPE_CHECKING

from rich.console import Console

from tocsin import control
from tocsin.cli.common import add_site, example, fail, load_site
from tocsin.cli.live import watch
from tocsin.cli.scene import scene
from tocsin.prove.standing import standing, standing_words

if TYPE_CHECKING:
    import argparse

EXAMPLES = """\
  tocsin show site.toml            cells as bars, alarms, outputs and why
  tocsin show site.toml --live     the same, every second, until Ctrl-C
  tocsin show site.toml --json     the same for a program
With --live, what is no longer fresh is greyed and dated: a daemon that has stopped
answering does not look like one that is all right.
"""


def register(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "show",
        help="what a running daemon sees and demands now",
        description="Ask the daemon that runs on this machine what it sees.",
    )
    add_site(parser)
    how = parser.add_mutually_exclusive_group()
    how.add_argument("--json", action="store_true", help="one JSON object")
    how.add_argument("--live", action="store_true", help="go on until Ctrl-C")
    example(parser, EXAMPLES)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Show, and return the exit code."""
    setup = load_site(args.site)
    if setup is None:
        return 2
    path = control.socket_path(setup.journal_folder)
    if args.live:
        if not sys.stdout.isatty():
            fail("--live draws on a terminal; use --json elsewhere")
            return 2
        watch(path, setup.site)
        return 0
    try:
        said = control.ask(path, {"do": "show"})
    except control.ControlError as exc:
        fail(f"{exc}; is `tocsin run {args.site}` running?")
        return 1
    if not said.get("ok"):
        fail(said.get("why", "no answer"))
        return 1
    if args.json:
        print(json.dumps({**said["show"], "proof": standing(setup)}))
    else:
        Console().print(scene(said["show"], setup.site))
        print(standing_words(standing(setup)))
    return 0
