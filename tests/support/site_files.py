"""Site files for tests: a small sound one, and what the loader says of others."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tocsin_config import Problem, Setup, SiteFileError, load

if TYPE_CHECKING:
    from pathlib import Path

SMALL = """\
[bank]
capacity_ah = 280
cells_in_series = 16
[[pack]]
name = "left"
driver = "trace"
"""


def written(folder: Path, text: str, name: str = "site.toml") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def loaded(folder: Path, text: str = SMALL) -> Setup:
    return load(written(folder, text))


def mistakes(folder: Path, text: str) -> tuple[Problem, ...]:
    path = written(folder, text)
    with pytest.raises(SiteFileError) as caught:
        load(path)
    return caught.value.problems


def line_of(text: str, part: str) -> int:
    """Return the line of *text* that holds *part*, which must be there once."""
    lines = [n for n, row in enumerate(text.splitlines(), 1) if part in row]
    assert len(lines) == 1, f"{part!r} on lines {lines}"
    return lines[0]
