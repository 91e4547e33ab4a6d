"""Registers of made-up SunSpec batteries, and dialogues led without a socket."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, TypeVar

from tocsin_drivers.modbus.dialogue import Ask, Dialogue, ReplyError
from tocsin_drivers.modbus.sunspec import SunSpecReader

if TYPE_CHECKING:
    import random
    from collections.abc import Mapping, Sequence

    from tocsin.core.model import Sample

T = TypeVar("T")
Model = tuple[int, list[int]]  # the ID, and the registers behind L

ABSENT = 0xFFFF
NO_SCALE = 0x8000


def u16(value: int) -> int:
    return value & 0xFFFF


def model(number: int, length: int, points: Mapping[int, int]) -> Model:
    """A model whose *points*, by offset from the ID register, are set, others 0."""
    body = [0] * length
    for at, value in points.items():
        body[at - 2] = u16(value)
    return number, body


def common(serial: str = "FR-0001") -> Model:
    points = dict.fromkeys(range(2, 66), 0)
    for at, text in ((2, "Fern Ridge"), (18, "hut bank"), (50, serial)):
        data = text.encode().ljust(32, b"\0")
        points |= {at + i: data[2 * i] << 8 | data[2 * i + 1] for i in range(16)}
    return model(1, 66, points)


def battery(**points: int) -> Model:
    at = {
        "SoC": 11, "Hb": 18, "State": 22, "Evt1": 27, "Evt1_high": 26, "V": 34,
        "CellVMax": 37, "CellVMin": 40, "A": 44, "AChaMax": 45, "ADisChaMax": 46,
        "SoC_SF": 56, "V_SF": 59, "CellV_SF": 60, "A_SF": 61, "AMax_SF": 62,
    }  # fmt: skip
    values = {
        "SoC": 655, "State": 3, "V": 5230, "CellVMax": ABSENT, "CellVMin": ABSENT,
        "A": -125, "AChaMax": 1000, "ADisChaMax": 1500, "Hb": 7,
        "SoC_SF": -1, "V_SF": -2, "CellV_SF": -3, "A_SF": -1, "AMax_SF": -1,
    } | points  # fmt: skip
    return model(802, 62, {at[name]: value for name, value in values.items()})


def module(
    cells_mv: Sequence[int],
    *,
    string: int = 1,
    place: int = 1,
    temps_dc: Sequence[int] | None = None,
    **points: int,
) -> Model:
    at = {
        "NCell": 4, "CellTmpMax": 16, "CellTmpMin": 18, "CellV_SF": 42, "Tmp_SF": 43,
    }  # fmt: skip
    temps = temps_dc or [180] * len(cells_mv)
    values = {
        "NCell": len(cells_mv), "CellV_SF": -3, "Tmp_SF": -1,
        "CellTmpMax": 0x8000, "CellTmpMin": 0x8000,
    } | points  # fmt: skip
    registers = {2: string, 3: place} | {at[k]: v for k, v in values.items()}
    for i, (cell_mv, temp_dc) in enumerate(zip(cells_mv, temps, strict=True)):
        registers |= {44 + 4 * i: cell_mv, 45 + 4 * i: temp_dc}
    return model(805, 42 + 4 * len(cells_mv), registers)


def noise(rng: random.Random, made: Model, *keep: int) -> Model:
    """Fill every register of *made* but those at the offsets *keep* at random."""
    number, body = made
    special = (0, 1, 0x7FFF, 0x8000, 0xFFFF)
    return number, [
        value
        if i + 2 in keep
        else rng.choice((rng.getrandbits(16), rng.choice(special)))
        for i, value in enumerate(body)
    ]


def image(
    models: Sequence[Model], base: int = 40_000, *, with_last_length: bool = True
) -> dict[int, int]:
    """All registers of a device, by address."""
    flat = [0x5375, 0x6E53]
    for number, body in models:
        flat += [number, len(body), *body]
    flat += [0xFFFF, 0] if with_last_length else [0xFFFF]
    return {base + i: value for i, value in enumerate(flat)}


def lead(
    dialogue: Dialogue[T], registers: Mapping[int, int], log: list[Ask] | None = None
) -> T:
    """Answer every ask from *registers*; what is not there is refused."""
    try:
        ask = next(dialogue)
        while True:
            if log is not None:
                log.append(ask)
            addresses = range(ask.address, ask.end)
            if all(address in registers for address in addresses):
                ask = dialogue.send(tuple(registers[a] for a in addresses))
            else:
                ask = dialogue.throw(ReplyError(2, ask))
    except StopIteration as end:
        made: T = end.value
        return made


CELLS = tuple(range(3_300, 3_316))


def read_battery(*models: Model, cells: int | None = 16, **options: Any) -> Sample:
    reader = SunSpecReader(cells=cells, **options)
    return lead(reader.reading(), image([common(), *models]))


def extremes(number: int) -> list[Model]:
    string = {2: 1, 3: 1, 15: 3_400, 17: 3_200, 20: 250, 22: 50, 43: -3, 44: -1}
    string |= {13: -100, 41: -1, 14: 5_200, 42: -2}
    bank = {2: 2, 4: 300, 7: 20, 22: -3, 23: -1, 24: -1}
    for at, high, low, current in ((28, 3_450, 3_210, 70), (60, 3_440, 3_190, 80)):
        bank |= {at + 6: current, at + 7: high, at + 9: low}
    made = {
        804: [model(804, 46, string), model(804, 46, string | {2: 2, 17: 3_180})],
        803: [model(803, 26 + 64, bank)],
        802: [battery(CellVMax=3_460, CellVMin=3_170)],
    }
    return made[number]
