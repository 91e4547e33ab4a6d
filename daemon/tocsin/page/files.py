"""The page's own files: read once, packed once."""

from __future__ import annotations

import gzip
import hashlib
from dataclasses import dataclass
from importlib.resources import files

KINDS = {
    "index.html": "text/html; charset=utf-8",
    "page.css": "text/css; charset=utf-8",
    "page.js": "text/javascript; charset=utf-8",
    "past.js": "text/javascript; charset=utf-8",
    "draw.js": "text/javascript; charset=utf-8",
    "icon.svg": "image/svg+xml",
}


@dataclass(frozen=True, slots=True)
class File:
    """One file, its kind, and what it is known by."""

    plain: bytes
    packed: bytes
    kind: str
    tag: str


def load() -> dict[str, File]:
    """Return every file by the path it is served under."""
    found: dict[str, File] = {}
    for name, kind in KINDS.items():
        plain = (files("tocsin.page") / "static" / name).read_bytes()
        tag = f'"{hashlib.sha256(plain).hexdigest()[:20]}"'
        path = "/" if name == "index.html" else f"/{name}"
        found[path] = File(plain, gzip.compress(plain, mtime=0), kind, tag)
    return found
