"""Small files beside the journal, written whole or not at all."""

from __future__ import annotations

import json
import math
import os
from contextlib import suppress
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pathlib import Path


MOST_DIGITS = 18
"""Of a whole number: enough for every time in milliseconds, and for 64 bits."""


def save(path: Path, text: str) -> None:
    """Write *text* to *path* whole or not at all.

    Raises:
        OSError: the disk does not take it; the old file is still there.
    """
    begun = path.with_name(f"{path.name}.new")
    with begun.open("w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    begun.replace(path)


def read(path: Path, *, largest_bytes: int) -> str | None:
    """Return the text of *path*; None if there is no such file.

    Raises:
        OSError: it cannot be read.
        ValueError: it is too large, or no text.
    """
    try:
        if path.stat().st_size > largest_bytes:
            raise ValueError("it is too large")
        return path.read_text("utf-8")
    except FileNotFoundError:
        return None


def parsed(text: str) -> dict[str, Any]:
    """Return the JSON object that *text*, a file of our own, holds.

    Raises:
        ValueError: it is none, is nested too deeply, or has a number that we never
            write: NaN, an infinity, or one of more than `MOST_DIGITS` digits.
    """
    try:
        made = json.loads(
            text, parse_constant=_finite, parse_float=_finite, parse_int=_whole
        )
    except RecursionError:
        raise ValueError("it is nested too deeply") from None
    if not isinstance(made, dict):
        raise ValueError("it is no JSON object")  # noqa: TRY004 a file's mistake
    return made


def _finite(digits: str) -> float:
    value = float(digits)
    if not math.isfinite(value):
        raise ValueError(f"{digits} is no number")
    return value


def _whole(digits: str) -> int:
    if len(digits) > MOST_DIGITS:
        raise ValueError(f"a number of {len(digits)} digits")
    return int(digits)


def set_aside(path: Path) -> None:
    """Put a file where the next run does not find it; no file or no disk is fine."""
    with suppress(OSError):
        path.replace(path.with_name(f"{path.name}.aside"))
