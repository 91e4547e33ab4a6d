"""The commands. One file each: ``register`` adds its parser, ``run`` does it."""

from __future__ import annotations

import argparse
import os
import sys
from typing import TYPE_CHECKING

from tocsin import __version__
from tocsin.cli import (
    ask,
    backup,
    check,
    circuit,
    demo,
    doctor,
    history,
    incident,
    journal,
    mqtt,
    prove,
    record,
    replay,
    run,
    scan,
    show,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

DONE, FAILED, WRONG = 0, 1, 2
ROOMS = (
    *(demo, scan, run, check, circuit, doctor, show),
    *(record, replay, journal, history, incident, prove, mqtt, backup, ask),
)

ABOUT = """\
Tocsin stands beside an off-grid battery, says how long it has left, and acts before
the battery's own protection cuts off: it inhibits charging, sheds loads in stages,
sounds a horn, asks for a generator. It is not the protection and never overrides it.
"""

ENDING = """\
Begin with `tocsin demo`: it needs no hardware and no site file.
Exit codes: 0 done, 1 failed, 2 the site file or the arguments are wrong.
"""


def parser() -> argparse.ArgumentParser:
    """Return the parser of all commands."""
    top = argparse.ArgumentParser(
        prog="tocsin",
        description=ABOUT,
        epilog=ENDING,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    top.add_argument("--version", action="version", version=f"tocsin {__version__}")
    commands = top.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for room in ROOMS:
        room.register(commands)
    return top


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code."""
    args = parser().parse_args(argv)
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
