"""The site's token: read from a file of its own, made where there is none."""

from __future__ import annotations

import os
import secrets
from typing import TYPE_CHECKING

from tocsin.page.guard import LONGEST_TOKEN, SHORTEST_TOKEN

if TYPE_CHECKING:
    from pathlib import Path

FILE_NAME = "page-token"
READABLE = 0o077


class TokenError(Exception):
    """There is no token to be had, so nobody can sign in; its text says why."""


def token(path: Path | None, folder: Path) -> str:
    """Return the token in *path*, or the one beside the journal in *folder*.

    The latter is made if there is none, for the daemon's own user to read.

    Raises:
        TokenError: it cannot be read or made, others may read it, or it is too short.
    """
    own = folder / FILE_NAME
    try:
        if path is None and not own.exists():
            return _made(own)
        return _read(path or own)
    except (OSError, UnicodeDecodeError) as exc:
        raise TokenError(f"no token, so nobody can act on the page: {exc}") from exc


def _read(path: Path) -> str:
    if path.stat().st_mode & READABLE & ~0o040:
        raise TokenError(f"others may read {path}: chmod 600 it, nobody can act before")
    with path.open(encoding="utf-8") as file:
        text = file.read(LONGEST_TOKEN + 1).strip()
    if not SHORTEST_TOKEN <= len(text) <= LONGEST_TOKEN:
        raise TokenError(
            f"the token in {path} has {len(text)} characters, not {SHORTEST_TOKEN} to "
            f"{LONGEST_TOKEN}, so nobody can act on the page"
        )
    return text


def _made(path: Path) -> str:
    text = secrets.token_urlsafe(15)
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "w", encoding="utf-8") as file:
        file.write(text + "\n")
    return text
