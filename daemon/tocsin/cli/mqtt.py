"""``tocsin mqtt``: what an integrator asks about the broker's side."""

from __future__ import annotations

import json
import sys
from typing import TYPE_CHECKING

from tocsin.cli.common import add_site, example, fail, load_site
from tocsin.mqtt import AclError, acl_file, remembered, would_announce

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

ABOUT_ACL = """\
Print who may do what at the broker, as an access control list in the form that
mosquitto's acl_file has. It follows from the site file: topics of exact depth for the
site and each of its packs, so that not even a stolen key of the daemon can give
commands. Print it anew after every change of packs, commands or announcements.
"""
FORMER = """\
a pack of an earlier site file whose topics must still be removed; what the daemon
remembers beside its journal is known already"""
EXAMPLES_ACL = """\
  tocsin mqtt acl site.toml --hub hub --viewer viewer > acl
  tocsin mqtt acl site.toml --user roof-computer       another name in the certificate
deploy/mqtt/SECURITY.md says what goes with it.
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
    _register_acl(below)


def _register_acl(below: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = below.add_parser(
        "acl",
        help="who may do what at the broker, as an ACL file",
        description=ABOUT_ACL,
    )
    add_site(parser)
    parser.add_argument(
        "--user",
        metavar="NAME",
        default="",
        help="the daemon's own user: the name in its certificate, or its username; "
        "else the site's id",
    )
    for option, help_text in (
        ("--hub", "a user that reads everything and gives commands; may be repeated"),
        ("--viewer", "a user that only reads; may be repeated"),
        (
            "--former",
            FORMER,
        ),
    ):
        parser.add_argument(
            option, metavar="NAME", action="append", default=[], help=help_text
        )
    example(parser, EXAMPLES_ACL)
    parser.set_defaults(run=run_acl)


def run_acl(args: argparse.Namespace) -> int:
    """Print the file, and return the exit code."""
    setup = load_site(args.site)
    if setup is None:
        return 2
    if setup.broker is None:
        fail(f"{args.site} publishes nothing: it has no [mqtt] table")
        return 2
    known = remembered(setup.journal_folder).devices
    try:
        text = acl_file(
            setup.broker,
            setup.site,
            user=args.user or setup.broker.username,
            hubs=args.hub,
            viewers=args.viewer,
            former=(*known, *args.former),
        )
    except AclError as exc:
        fail(str(exc))
        return 2
    print(text, end="")
    return 0


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
