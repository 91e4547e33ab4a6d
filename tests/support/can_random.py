"""Random DBC texts: any order of bytes, signs, floats, scales, bounds, pages."""

from __future__ import annotations

import random  # noqa: TC003 its instances are made elsewhere, its words used here
from dataclasses import dataclass, field

BITS = 64


@dataclass
class Drawn:
    """A drawn DBC: its text, and what was drawn of the only message."""

    can_id: int
    is_extended: bool
    rows: list[str] = field(default_factory=list)
    floats: list[str] = field(default_factory=list)
    names: list[str] = field(default_factory=list)

    @property
    def text(self) -> str:
        number = self.can_id | (0x80000000 if self.is_extended else 0)
        head = 'VERSION ""\n\nNS_ :\n\nBS_:\n\nBU_: Node\n\n'
        body = f"BO_ {number} Drawn: 8 Node\n" + "".join(self.rows) + "\n"
        return head + body + "".join(self.floats)


def bits_of(start: int, length: int, *, is_big: bool) -> set[int]:
    """Return the bits a signal takes; Motorola's run down through each byte."""
    if not is_big:
        return set(range(start, start + length))
    taken = set[int]()
    for _ in range(length):
        taken.add(start)
        start = start - 1 if start % 8 else start + 15
    return taken


def draw(chance: random.Random) -> Drawn:
    """Return a DBC of one message of 1 to 6 signals, paged in half of the cases."""
    is_extended = chance.random() < 0.5
    most = 0x1FFFFFFF if is_extended else 0x7FF
    drawn = Drawn(chance.randint(1, most), is_extended)
    common = set[int]()
    pages: list[int | None] = [None]
    if chance.random() < 0.5:
        length = chance.randint(1, 4)
        is_big = chance.random() < 0.5
        start = chance.randrange(4, 40)
        common |= bits_of(start, length, is_big=is_big)
        order = 0 if is_big else 1
        drawn.rows.append(
            f' SG_ Page M : {start}|{length}@{order}+ (1,0) [0|0] "" Vector__XXX\n'
        )
        values = range(1 << length)
        pages = list(chance.sample(values, chance.randint(1, min(3, len(values)))))
        if chance.random() < 0.5:
            pages.append(None)
    by_page: dict[int | None, set[int]] = {page: set() for page in pages}
    for _ in range(chance.randint(1, 6)):
        _signal(chance, drawn, chance.choice(pages), common, by_page)
    if not drawn.names:
        return draw(chance)
    return drawn


def _signal(
    chance: random.Random,
    drawn: Drawn,
    page: int | None,
    common: set[int],
    by_page: dict[int | None, set[int]],
) -> None:
    """Put one signal where there is room for it; leave it out where there is none."""
    name = f"S{len(drawn.names)}"
    is_float = chance.random() < 0.15
    for _ in range(20):
        length = chance.choice((32, 64)) if is_float else chance.randint(1, 40)
        is_big = chance.random() < 0.5
        start = chance.randrange(BITS)
        bits = bits_of(start, length, is_big=is_big)
        others = common | by_page[page]
        if page is None:
            others = others.union(*by_page.values())
        elif None in by_page:
            others = others | by_page[None]
        if max(bits) < BITS and not bits & others:
            break
    else:
        return
    by_page[page] |= bits
    is_signed = is_float or chance.random() < 0.5
    scale = chance.choice((1, 0.1, 0.05, 0.001, 2, 0.03125, 0.25))
    offset = chance.choice((0, 0, -40, -1600, 0.5))
    low, high = chance.choice(((0, 0), (0, 0), (-50, 50), (0, 4.5), (-1000, 1000)))
    mux = "" if page is None else f" m{page}"
    drawn.names.append(name)
    where = f"{start}|{length}@{0 if is_big else 1}{'-' if is_signed else '+'}"
    meaning = f'({scale},{offset}) [{low}|{high}] "" Vector__XXX'
    drawn.rows.append(f" SG_ {name}{mux} : {where} {meaning}\n")
    if is_float:
        number = drawn.can_id | (0x80000000 if drawn.is_extended else 0)
        kind = 1 if length == 32 else 2
        drawn.floats.append(f"SIG_VALTYPE_ {number} {name} : {kind};\n")
