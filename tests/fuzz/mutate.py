"""Ways to spoil an input: bytes, texts by their words and lines, JSON by its tree."""

from __future__ import annotations

import json
import re
from copy import deepcopy
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from random import Random

    Mutator = Callable[[Random, bytes, Sequence[bytes]], bytes]
    """Spoils one input, with a look at the others of its corpus."""

LONGEST = 65_536
"""No input is longer than twice this: what is twice as long tells nothing new."""

EDGES = (0, 1, 2, 0x7F, 0x80, 0xFE, 0xFF)
ODD_NUMBERS = (
    *("0", "-0", "-1", "1", "2", "3.3", "250", "255", "256", "32768", "65535"),
    *("65536", "4294967295", "4294967296", "-2147483649", "1e12", "9e15", "1e308"),
    *("1e309", "-1e309", "1e-308", "nan", "inf", "-inf", "NaN", "Infinity", "0x10"),
    *("1_000", "1e", ".", "--1", "+1", "١٢", "9" * 30, "9" * 400, "9" * 4_400),
)
ODD_TEXTS = (
    *("", " ", "\0", "\r", "\n", "\t", '"', "'", '""', ",", ";", "#", "\\", "é"),
    *("\u2028", "\ufeff", "\x85", "\x1b[2J", "{}", "[]", "[[", "]]", "../../x", "%s"),
    *("x" * 300, "[" * 400, "[" * 2_000, "{" * 1_200, "\ud800", "é" * 200),
)
NUMBER = re.compile(r"[+-]?\d+(?:\.\d+)?")
WORD = re.compile(r"[A-Za-z_]\w*")


def by_bytes(chance: Random, data: bytes, others: Sequence[bytes]) -> bytes:
    """Change, insert, drop, double or splice a few bytes."""
    made = bytearray(data)
    for _ in range(chance.choice((1, 1, 1, 2, 4, 8))):
        _spoil(chance, made, others)
    return bytes(made[: 2 * LONGEST])


def _spoil(chance: Random, made: bytearray, others: Sequence[bytes]) -> None:
    at = chance.randrange(len(made) + 1)
    size = chance.choice((1, 1, 2, 2, 4, 8, 32))
    match chance.randrange(8):
        case 0 if made:
            made[at % len(made)] ^= 1 << chance.randrange(8)
        case 1 if made:
            made[at % len(made)] = chance.randrange(256)
        case 2 if made:
            made[at % len(made)] = chance.choice(EDGES)
        case 3:
            made[at:at] = chance.randbytes(size)
        case 4:
            del made[at : at + size]
        case 5:
            made[at:at] = made[at : at + size]
        case 6:
            made[at : at + 2] = bytes((chance.choice(EDGES), chance.choice(EDGES)))
        case _:
            _splice(chance, made, chance.choice(others))


def _splice(chance: Random, made: bytearray, other: bytes) -> None:
    """Put a piece of *other* in, or go on as *other* does."""
    at, begin = chance.randrange(len(made) + 1), chance.randrange(len(other) + 1)
    if chance.random() < 0.5:
        made[at:] = other[begin:]
    else:
        size = chance.randrange(1, 65)
        made[at : at + size] = other[begin : begin + size]


def by_text(chance: Random, data: bytes, others: Sequence[bytes]) -> bytes:
    """Change numbers, words and lines of a text; now and then mere bytes."""
    if chance.random() < 0.15:
        return by_bytes(chance, data, others)
    text = data.decode("utf-8", "surrogateescape")
    for _ in range(chance.choice((1, 1, 1, 2, 3))):
        text = _texted(chance, text, others)
    return text[:LONGEST].encode("utf-8", "surrogatepass")


def _texted(chance: Random, text: str, others: Sequence[bytes]) -> str:
    match chance.randrange(9):
        case 0 | 1:
            return _swapped(chance, text, NUMBER, chance.choice(ODD_NUMBERS))
        case 2:
            found = _any(chance, text, NUMBER)
            near = "" if found is None else _near(chance, found[0])
            return _swapped(chance, text, NUMBER, near)
        case 3:
            other = chance.choice(others).decode("utf-8", "replace")
            word = _any(chance, other, WORD)
            return _swapped(chance, text, WORD, "" if word is None else word[0])
        case 4:
            return _swapped(chance, text, WORD, chance.choice(ODD_TEXTS))
        case 5 | 6:
            at = chance.randrange(len(text) + 1)
            cut = at + chance.choice((0, 0, 0, 1, 1, 4, 30))
            odd = chance.choice((*ODD_TEXTS, *ODD_NUMBERS)) if cut == at else ""
            return text[:at] + odd + text[cut:]
        case _:
            return _lined(chance, text, others)


def _any(chance: Random, text: str, what: re.Pattern[str]) -> re.Match[str] | None:
    """Return one match of *what*, found from a random place on."""
    at = chance.randrange(len(text) + 1)
    return what.search(text, at) or what.search(text)


def _swapped(chance: Random, text: str, what: re.Pattern[str], new: str) -> str:
    found = _any(chance, text, what)
    if found is None:
        return text + new
    return text[: found.start()] + new + text[found.end() :]


def _near(chance: Random, number: str) -> str:
    """Return a number of the same kind: a little off, or of another size."""
    value = float(number)
    made = chance.choice((value + 1, value - 1, -value, value * 10, value / 1000))
    return f"{made:.0f}" if "." not in number else f"{made:.6g}"


def _lined(chance: Random, text: str, others: Sequence[bytes]) -> str:
    """Drop, double, move or borrow a line."""
    rows = text.split("\n")
    at, to = chance.randrange(len(rows)), chance.randrange(len(rows))
    match chance.randrange(4):
        case 0:
            del rows[at]
        case 1:
            rows.insert(to, rows[at])
        case 2:
            rows[at], rows[to] = rows[to], rows[at]
        case _:
            strange = chance.choice(others).decode("utf-8", "replace").split("\n")
            rows.insert(at, chance.choice(strange))
    return "\n".join(rows)


ODD_VALUES: tuple[Any, ...] = (
    *(None, True, False, 0, 1, -1, 0.5, 2**31, 2**63, -(2**70), 10**400, 1e308),
    *(float("nan"), float("inf"), "", "x", "left", "é", "\ud800", "x" * 500),
    *([], {}, [[]], [1, 2, 3], {"id": 1}, [None] * 20, "2026-01-16T18:00:00Z"),
)


def by_json(chance: Random, data: bytes, others: Sequence[bytes]) -> bytes:
    """Change values and keys of a JSON text's tree; now and then the text itself."""
    kind = chance.random()
    if kind < 0.2:
        return by_text(chance, data, others)
    try:
        tree = json.loads(data)
    except (ValueError, RecursionError):
        return by_text(chance, data, others)
    for _ in range(chance.choice((1, 1, 2, 3))):
        tree = treed(chance, tree)
    if kind < 0.22:
        deep = chance.choice((90, 300, 480, 980, 3_000))
        return b"[" * deep + dumped(tree) + b"]" * deep
    return dumped(tree)[: 2 * LONGEST]


def dumped(tree: object) -> bytes:
    """Return *tree* as JSON, NaN and lone surrogates too; too deep or long: ``[]``."""
    try:
        return json.dumps(tree).encode()
    except (ValueError, RecursionError):
        return b"[]"


def treed(chance: Random, tree: Any) -> Any:
    """Return *tree*, one of its values or keys spoilt."""
    here, path = tree, list[Any]()
    while isinstance(here, dict | list) and here and chance.random() < 0.85:
        keys = list(here) if isinstance(here, dict) else range(len(here))
        path.append((here, chance.choice(keys)))
        here = here[path[-1][1]]
    if not path:
        return deepcopy(chance.choice((*ODD_VALUES, tree, tree)))
    owner, key = path[-1]
    match chance.randrange(6):
        case 0:
            del owner[key]
        case 1 if isinstance(owner, dict):
            owner[chance.choice((f"{key}x", "x", "", "é", "name"))] = here
        case 2 if isinstance(owner, list):
            owner.insert(key, here)
        case 3 if isinstance(here, int | float) and not isinstance(here, bool):
            owner[key] = chance.choice((here + 1, -here, here * 2, str(here)[:300]))
        case _:
            owner[key] = deepcopy(chance.choice(ODD_VALUES))
    return tree


def either(*ways: Mutator) -> Mutator:
    """Return a mutator that takes one of *ways* each time."""

    def mutated(chance: Random, data: bytes, others: Sequence[bytes]) -> bytes:
        return chance.choice(ways)(chance, data, others)

    return mutated
