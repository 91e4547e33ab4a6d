"""``tocsin mqtt``: what an integrator asks about the broker's side."""

from __future__ import annotations

import json
import sys
from typing import TYPE_CHECKING

from tocsin.cli.common import add_site, example, fail, load_site
from tocsin.mqtt import would_announce

if TYPE_CHECKING:
    import argparse

ABOUT_ANNOUNCE = """\
Print what would be announced to a hub with the template that the site file names under
[mqtt.announce]: one retained message a value. The daemon announces by itself, and
removes an announcement when its value goes; this command sends nothing.
"""
EXAMPLES = """\
  tocsin mqtt announce site.toml --dry-run           one topic and its JSON a value
  tocsin mqtt announce site.toml --dry-run --json    one object a line
Cells are those of the site file; temperatures are announced once a pack has told them.
deploy/mqtt/ANNOUNCE.md teaches how to write a template.
"""


def register(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command and its own commands."""
    parser = commands.add_parser(
        "mqtt",
        help="what an integrator asks about the broker's side",
        description="What an integrator asks about the broker's side.",
    )
    example(parser, "tocsin mqtt WHAT --help teaches each of them.")
    below = parser.add_subparsers(dest="asked", metavar="WHAT", required=True)
    announce = below.add_parser(
        "announce",
        help="what would be announced to a hub",
        description=ABOUT_ANNOUNCE,
    )
    add_site(announce)
    announce.add_argument(
        "--dry-run",
        action="store_true",
        required=True,
        help="print, and send nothing; it never does anything else",
    )
    announce.add_argument("--json", action="store_true", help="one JSON object a line")
    example(announce, EXAMPLES)
    announce.set_defaults(run=run_announce)


def run_announce(args: argparse.Namespace) -> int:
    """Print the announcements, and return the exit code."""
    setup = load_site(args.site)
    if setup is None:
        return 2
    if setup.broker is None or setup.broker.announcement is None:
        fail(f"{args.site} announces nothing: it has no [mqtt.announce] table")
        return 2
    made = would_announce(setup.broker, setup.site)
    for message in made.values():
        payload = json.loads(message.payload)
        if args.json:
            said = {"topic": message.topic, "retain": True, "payload": payload}
            print(json.dumps(said, ensure_ascii=False))
        else:
            body = json.dumps(payload, indent=2, ensure_ascii=False)
            print(f"{message.topic}\n{body}\n")
    print(f"{len(made)} retained messages would be announced", file=sys.stderr)
    return 0
