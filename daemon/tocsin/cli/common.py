"""What several commands share: the site file argument, durations, errors."""

from __future__ import annotations

import argparse
import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from tocsin_config import SiteFileError, load

if TYPE_CHECKING:
    from tocsin_config import Setup

UNITS_MS = {"ms": 1, "s": 1_000, "m": 60_000, "min": 60_000, "h": 3_600_000}
UNITS_MS |= {"d": 86_400_000}


def add_site(parser: argparse.ArgumentParser) -> None:
    """Add the site file argument."""
    parser.add_argument("site", metavar="SITE", type=Path, help="the site file, TOML")


def load_site(path: Path) -> Setup | None:
    """Return the loaded site file, or None after every mistake was printed."""
    try:
        return load(path)
    except SiteFileError as exc:
        for problem in exc.problems:
            print(problem, file=sys.stderr)
        many = len(exc.problems)
        print(
            f"tocsin: {path} has {many} mistake{'s' if many > 1 else ''}",
            file=sys.stderr,
        )
        return None


def duration_ms(text: str) -> int:
    """Return milliseconds of ``90s``, ``10min``, ``2h`` or ``3d``.

    Raises:
        argparse.ArgumentTypeError: it is none of these.
    """
    match = re.fullmatch(r"(\d+(?:\.\d+)?)\s*(ms|s|min|m|h|d)", text.strip())
    if match is None:
        raise argparse.ArgumentTypeError(
            f"{text!r} is no duration; write 90s, 10min, 2h or 3d"
        )
    return round(float(match[1]) * UNITS_MS[match[2]])


def fail(text: object) -> None:
    """Print an error for a person."""
    print(f"tocsin: {text}", file=sys.stderr)


def example(parser: argparse.ArgumentParser, text: str) -> None:
    """Give *parser* an epilog that is printed as written."""
    parser.epilog = text
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
