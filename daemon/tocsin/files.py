"""Small files beside the journal, written whole or not at all."""

from __future__ import annotations

import os
from contextlib import suppress
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path


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


def set_aside(path: Path) -> None:
    """Put a file where the next run does not find it; no file or no disk is fine."""
    with suppress(OSError):
        path.replace(path.with_name(f"{path.name}.aside"))
