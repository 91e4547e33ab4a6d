"""The commands. One file each: ``register`` adds its parser, ``run`` does it."""

from __future__ import annotations

import argparse
import os
import sys
from importlib import import_module
from typing import TYPE_CHECKING

from tocsin import __version__

if TYPE_CHECKING:
    from collections.abc import Sequence

DONE, FAILED, WRONG = 0, 1, 2
OWN = (
    *("demo", "scan", "run", "check", "circuit", "doctor", "show", "record", "replay"),
    *("journal", "history", "incident", "prove", "mqtt", "fleet", "backup"),
)
"""Files named like their command; `ask` and `backup` hold others as well."""

ABOUT = """\
Tocsin stands beside an off-grid battery, says how long it has left, and acts before
the battery's own protection cuts off: it inhibits charging, sheds loads in stages,
sounds a horn, asks for a generator. It is not the protection and never overrides it.
"""

ENDING = """\
Begin with `tocsin demo`: it needs no hardware and no site file.
Exit codes: 0 done, 1 failed, 2 the site file or the arguments are wrong.
"""


def parser(only: str = "") -> argparse.ArgumentParser:
    """Return the parser of all commands, or of the one that it is *only* about.

    A daemon need not carry in memory what only other commands use.
    """
    top = argparse.ArgumentParser(
        prog="tocsin",
        description=ABOUT,
        epilog=ENDING,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    top.add_argument("--version", action="version", version=f"tocsin {__version__}")
    commands = top.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for name in (only,) if only in OWN else (*OWN, "ask"):
        import_module(f"tocsin.cli.{name}").register(commands)
    return top


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code."""
    words = sys.argv[1:] if argv is None else argv
    args = parser(next(iter(words), "")).parse_args(words)
    try:
        code: int = args.run(args)
        sys.stdout.flush()
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:
        # Whoever read us has gone (`tocsin journal ... | head`): nothing is wrong.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    return code
