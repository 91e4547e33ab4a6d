"""A register map as people write it."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from tocsin.registers import PointRole, RegisterType
from tocsin_config.fields import Table, choice, needed, optional

END = ("big", "little")
RANGE = (
    r"^\s*(\d{1,3})\s*\.\.\s*(\d{1,3})\s+at\s+(0[xX][0-9A-Fa-f]{1,4}|\d{1,5})"
    r"(?:\s+step\s+(\d{1,3}))?\s*$"
)
_BOUND = {"ge": -1e9, "le": 1e9}


class PointTable(Table):
    """``[[pack.map.point]]``: one value, or a range of alike values."""

    role: Annotated[PointRole, Field(strict=False)] | None = choice(
        "role", PointRole, default=None
    )
    cells: str | None = optional('such as "1..16 at 0x1000 step 1"', pattern=RANGE)
    address: int | None = optional(
        "a register from 0 to 65535, such as 0x1000", ge=0, le=65_535
    )
    function: int = optional("3 (holding) or 4 (input registers)", 3, ge=3, le=4)
    type: Annotated[RegisterType, Field(strict=False)] = choice(
        "type", RegisterType, default=RegisterType.U16
    )
    count: int | None = optional("how many values, 1 to 400", ge=1, le=400)
    step: int | None = optional("registers to the next value, 1 to 1000", ge=1, le=1000)
    word_order: Literal["big", "little"] = choice("word order", END, default="big")
    byte_order: Literal["big", "little"] = choice("byte order", END, default="big")
    scale: float = optional("a factor, not 0, such as 0.001", 1.0, **_BOUND)
    offset: float = optional("a number in the role's unit", 0.0, **_BOUND)
    absent: Annotated[tuple[int, ...], Field(strict=False)] = optional(
        "a list of raw values, such as [0xFFFF]", ()
    )
    low: float | None = optional("the smallest believable value", **_BOUND)
    high: float | None = optional("the largest believable value", **_BOUND)
    bits: dict[str, int] | None = optional('a table such as { "low-voltage-trip" = 0 }')
    active_low: bool = optional("true or false", default=False)
    expect: int | None = optional(
        "the raw value that proves an answer ours", ge=-(2**31), le=2**32 - 1
    )


class MapTable(Table):
    """``[pack.map]``, or a file of its own."""

    point: Annotated[tuple[PointTable, ...], Field(strict=False, min_length=1)] = (
        needed(
            "at least one point with a role and an address",
            [{"role": "cell", "address": 0}],
        )
    )
    max_registers: int = optional(
        "most registers of one request, 1 to 125", 125, ge=1, le=125
    )
    max_gap: int = optional("registers, 0 to 124", 8, ge=0, le=124)
