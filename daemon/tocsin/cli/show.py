"""``tocsin show``: what a running daemon sees and demands now."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from rich.console import Console

from tocsin import control
from tocsin.cli.common import add_site, example, fail, load_site
from tocsin.cli.scene import scene
from tocsin.prove.standing import standing, standing_words

if TYPE_CHECKING:
    import argparse

EXAMPLES = """\
  tocsin show site.toml            cells as bars, alarms, outputs and why
  tocsin show site.toml --json     the same for a program
"""


def register(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "show",
        help="what a running daemon sees and demands now",
        description="Ask the daemon that runs on this machine what it sees.",
    )
    add_site(parser)
    parser.add_argument("--json", action="store_true", help="one JSON object")
    example(parser, EXAMPLES)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Show, and return the exit code."""
    setup = load_site(args.site)
    if setup is None:
        return 2
    path = control.socket_path(setup.journal_folder)
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
