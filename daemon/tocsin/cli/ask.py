"""Commands that ask something of a running daemon: acknowledge, silence, and so on."""

from __future__ import annotations

import getpass
import json
from typing import TYPE_CHECKING

from tocsin import control
from tocsin.cli.common import add_site, duration_ms, example, fail, load_site
from tocsin.core.events import Verb

if TYPE_CHECKING:
    import argparse

HELP = {
    Verb.ACKNOWLEDGE: "say that you have seen an alarm (all of them without ALARM)",
    Verb.SILENCE: "stop the sound for a time; a new alarm sounds all the same",
    Verb.RESET: "release a latched alarm whose cause has gone",
    Verb.SHELVE: "hide an alarm for a time, with a reason; permits still drop",
    Verb.UNSHELVE: "bring a shelved alarm back before its time",
    Verb.REMOVE: "take an alarm out of service, with a reason; permits still drop",
    Verb.RETURN: "put an alarm back into service",
    Verb.SOUNDER_TEST: "sound the horn once, for a second and a half, if it is quiet",
    Verb.GENERATOR_REQUEST: "ask for the generator for a time (an hour without --for)",
    Verb.GENERATOR_RELEASE: "ask for the generator no longer; a rule still may",
}
OF_OUTPUTS = frozenset(
    {
        *(Verb.SILENCE, Verb.SOUNDER_TEST),
        *(Verb.GENERATOR_REQUEST, Verb.GENERATOR_RELEASE),
    }
)
NEEDS_ALARM = frozenset(Verb) - OF_OUTPUTS - {Verb.ACKNOWLEDGE}
TIMED = frozenset({Verb.SILENCE, Verb.SHELVE, Verb.GENERATOR_REQUEST})


def register(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add one command a verb."""
    for verb, text in HELP.items():
        parser = commands.add_parser(
            verb.value,
            help=text,
            description=f"Ask the running daemon to {text}. "
            "No command can energise a permit.",
        )
        add_site(parser)
        if verb not in OF_OUTPUTS:
            nargs = None if verb in NEEDS_ALARM else "?"
            parser.add_argument(
                "alarm", metavar="ALARM", nargs=nargs, default="", help="its name"
            )
            parser.add_argument(
                "subject",
                metavar="SUBJECT",
                nargs="?",
                default="",
                help="pack, string or part (default: all of them)",
            )
        if verb in TIMED:
            parser.add_argument(
                "--for",
                dest="for_ms",
                type=duration_ms,
                metavar="TIME",
                required=verb is Verb.SHELVE,
                default=0,
                help="how long: 90s, 10min, 2h",
            )
        if verb in {Verb.SHELVE, Verb.REMOVE}:
            parser.add_argument("--reason", required=True, help="why; it is recorded")
        parser.add_argument("--json", action="store_true", help="one JSON object")
        example(parser, "Names are those that `tocsin show SITE` prints.")
        parser.set_defaults(run=run, verb=verb)


def run(args: argparse.Namespace) -> int:
    """Ask, print the answer, and return the exit code."""
    setup = load_site(args.site)
    if setup is None:
        return 2
    request = {
        "do": args.verb.value,
        "by": getpass.getuser(),
        "alarm": getattr(args, "alarm", "") or "",
        "subject": getattr(args, "subject", "") or "",
        "reason": getattr(args, "reason", "") or "",
        "for_ms": getattr(args, "for_ms", 0),
    }
    try:
        said = control.ask(control.socket_path(setup.journal_folder), request)
    except control.ControlError as exc:
        fail(exc)
        return 1
    if args.json:
        print(json.dumps(said))
    elif said.get("ok"):
        print(f"{args.verb}: {said['why']}")
    else:
        fail(f"{args.verb} refused: {said.get('why', 'no answer')}")
    return 0 if said.get("ok") else 1
