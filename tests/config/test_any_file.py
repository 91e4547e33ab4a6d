"""Whatever a file holds, it loads or every mistake is told; nothing else happens."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from site_odd import ODD, WHOLE
from tocsin_config import SiteFileError, doubts, load

if TYPE_CHECKING:
    from pathlib import Path

ROWS = WHOLE.splitlines()
PAIRS = [number for number, row in enumerate(ROWS) if " = " in row]


@st.composite
def mutations(draw: st.DrawFn) -> str:
    rows = list(ROWS)
    for _ in range(draw(st.integers(1, 4))):
        what = draw(st.sampled_from(["value", "value", "drop", "twice", "move", "key"]))
        at = draw(st.sampled_from(PAIRS) | st.integers(0, len(ROWS) - 1))
        row = rows[at]
        if what == "value":
            rows[at] = re.sub("= .*", "= ", row) + draw(st.sampled_from(ODD))
        elif what == "drop":
            rows[at] = ""
        elif what == "twice":
            rows[at] = f"{row}\n{row}"
        elif what == "move":
            other = draw(st.integers(0, len(ROWS) - 1))
            rows[at], rows[other] = rows[other], row
        else:
            cut = draw(st.integers(0, len(row)))
            junk = draw(st.text(st.sampled_from("ab.[]{}=\"'\\ #é\0"), max_size=3))
            rows[at] = row[:cut] + junk + row[cut:]
    return "\n".join(rows)


def look(text: str | bytes, folder: Path) -> bool:
    """Return True if it loads; every problem must have a line of the file."""
    path = folder / "site.toml"
    raw = text.encode() if isinstance(text, str) else text
    path.write_bytes(raw)
    try:
        setup = load(path)
    except SiteFileError as exc:
        problems = exc.problems
    else:
        doubts(setup)
        return True
    assert problems
    assert list(problems) == sorted(set(problems))
    for problem in problems:
        assert 1 <= problem.line <= raw.count(b"\n") + 1
        assert problem.key
        assert problem.wrong
        assert problem.right
    return False


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("sites")


def test_the_unspoilt_file_loads(folder: Path) -> None:
    assert look(WHOLE, folder)


@settings(max_examples=400)
@given(text=mutations())
def test_a_spoilt_file_loads_or_is_refused(folder: Path, text: str) -> None:
    look(text, folder)


@settings(max_examples=200)
@given(raw=st.binary(max_size=60))
def test_bytes_load_or_are_refused(folder: Path, raw: bytes) -> None:
    assert not look(raw, folder)


@pytest.mark.parametrize("odd", ODD)
def test_an_odd_value_anywhere_loads_or_is_refused(folder: Path, odd: str) -> None:
    for at in PAIRS:
        rows = list(ROWS)
        rows[at] = re.sub("= .*", "= ", rows[at]) + odd
        look("\n".join(rows), folder)
