"""The lines of keys, against texts whose lines are known, and against the grammar."""

from __future__ import annotations

import tomllib
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tocsin_config.locate import locate

if TYPE_CHECKING:
    from tocsin_config.problems import Key

TEXT = '''\
# a comment with [brackets] and "quotes"
top = 1
a.b."c.d" = """
a text with [x] and
k = 2 in it \\""" still ""\"""

[site]
name = 'it is [not] a table' # site.x = 3
list = [ 1, # one
  [2, "]"],
  { k = 3, l.m = [4] },
]
[[pack]]
name = "left"
[pack.map]
gap = 1
[[pack.map.point]]
role = "cell"
[[pack.map.point]]
role = "beat"
[[pack]]
name = "right"
[[pack.map.point]]
role = \'\'\'
soc\'\'\'
after = 2026-11-25T12:00:00Z
'''


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (("top",), 2),
        (("a", "b", "c.d"), 3),
        (("site",), 7),
        (("site", "name"), 8),
        (("site", "list"), 9),
        (("site", "list", 0), 9),
        (("site", "list", 1, 1), 10),
        (("site", "list", 2), 11),
        (("site", "list", 2, "l", "m", 0), 11),
        (("pack",), 13),
        (("pack", 0, "name"), 14),
        (("pack", 0, "map", "gap"), 16),
        (("pack", 0, "map", "point", 0, "role"), 18),
        (("pack", 0, "map", "point", 1), 19),
        (("pack", 1), 21),
        (("pack", 1, "map", "point", 0, "role"), 24),
        (("pack", 1, "map", "point", 0, "after"), 26),
    ],
)
def test_a_key_is_found_on_its_line(path: Key, line: int) -> None:
    assert locate(TEXT)[path] == line
    assert locate(TEXT.replace("\n", "\r\n"))[path] == line


def paths(value: Any, at: Key = ()) -> set[Key]:
    found = {at}
    if isinstance(value, dict):
        for key, each in value.items():
            found |= paths(each, (*at, key))
    elif isinstance(value, list):
        for index, each in enumerate(value):
            found |= paths(each, (*at, index))
    return found


def test_every_path_that_the_standard_parser_sees_has_a_line() -> None:
    assert set(locate(TEXT)) == paths(tomllib.loads(TEXT))


def quoted(text: str) -> str:
    return '"' + "".join(f"\\U{ord(c):08x}" for c in text) + '"'


def literal(text: str) -> str:
    kept = "".join(c for c in text if c.isprintable() and c != "'")
    return f"'{kept}'"


WORDS = st.text(st.sampled_from("ab é☃#[]{}=,.'\"\\\n\t"), max_size=8)
SCALARS = (
    st.integers(-(2**40), 2**40).map(str)
    | st.sampled_from(["true", "1.5e3", "0x1F", "inf", "1979-05-27", "07:32:00"])
    | WORDS.map(quoted)
    | WORDS.map(literal)
    | WORDS.map(lambda w: f"'''\n{literal(w)[1:-1]}\nx = 1\n'''")
    | WORDS.map(lambda w: f'"""\n{quoted(w)[1:-1]} [a]\n"""')
)
GAPS = st.sampled_from(["", "\n", "  # ] } = x\n", "\n\n  "])
KEYS = st.from_regex(r"[a-z0-9_-]{1,4}", fullmatch=True) | WORDS.map(quoted)


@st.composite
def values(draw: st.DrawFn, depth: int = 2) -> str:
    kind = draw(st.integers(0, 3 if depth else 0))
    if kind < 2:
        return draw(SCALARS)
    if kind == 2:
        parts = draw(st.lists(values(depth - 1), max_size=3))
        return "[" + "".join(draw(GAPS) + p + draw(GAPS) + "," for p in parts) + "]"
    parts = draw(st.lists(values(depth - 1), max_size=3))
    return "{" + ", ".join(f"k{i} = {part}" for i, part in enumerate(parts)) + "}"


@st.composite
def documents(draw: st.DrawFn) -> tuple[str, dict[Key, int]]:
    """A text, and the line of each key as it was written."""
    text, lines, place = "", {}, ()  # type: tuple[str, dict[Key, int], Key]
    for number in range(draw(st.integers(0, 5))):
        text += draw(GAPS)
        text += "\n" if text and not text.endswith("\n") else ""
        header = draw(st.sampled_from(["", "[t{}]", "[[list]]", "[ a . 'b{}' ]"]))
        if header:
            line = text.count("\n") + 1
            text += header.format(number) + "\n"
            here = header.format(number).strip("[] ").replace("'", "").split(" . ")
            place = tuple(here)
            if header == "[[list]]":
                place = ("list", sum(1 for key in lines if key[:-1] == ("list",)))
            lines[place] = line
        key, name = draw(KEYS), f"n{number}"
        written = f"{name} . {key}"
        lines[(*place, name)] = text.count("\n") + 1
        text += f"{written} = {draw(values())}\n"
    return text, lines


@given(documents())
def test_keys_stand_where_they_were_written(made: tuple[str, dict[Key, int]]) -> None:
    text, written = made
    found = locate(text)
    assert {key: found.get(key) for key in written} == written
    assert set(found) == paths(tomllib.loads(text))
