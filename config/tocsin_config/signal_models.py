"""A pack's CAN signals as people write them."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from tocsin.registers import PointRole
from tocsin_config.fields import Table, choice, optional

SIGNAL = r"^[A-Za-z_]\w*\.[A-Za-z_]\w*$"
MANY = (
    r"^\s*(\d{1,3})\s*\.\.\s*(\d{1,3})\s+at\s+"
    r"((?:\w|\{\d{1,3}\})+)\.((?:\w|\{\d{1,3}\})+)\s*$"
)
RAW_RANGE = (
    r"^\s*(-?(?:0[xX][0-9A-Fa-f]{1,16}|\d{1,20}))\s*\.\.\s*"
    r"(-?(?:0[xX][0-9A-Fa-f]{1,16}|\d{1,20}))\s*$"
)
ROLES = tuple(role for role in PointRole if role is not PointRole.CONSTANT)
_BOUND = {"ge": -1e9, "le": 1e9}


class SignalTable(Table):
    """``[[pack.signal]]``: one signal, or a row of alike ones such as cells 1 to 16."""

    signal: str | None = optional(
        'a message and a signal of the DBC file, such as "Cells.Cell1"', pattern=SIGNAL
    )
    role: Annotated[PointRole, Field(strict=False)] | None = choice(
        "role", ROLES, default=None
    )
    index: int | None = optional(
        "which cell or temperature, 1 to 400, such as 1", ge=1, le=400
    )
    cells: str | None = optional('such as "1..16 at Cells.Cell{1}"', pattern=MANY)
    temperatures: str | None = optional('such as "1..4 at Temps.Temp{1}"', pattern=MANY)
    scale: float = optional("a factor, not 0, such as 0.001", 1.0, **_BOUND)
    offset: float = optional("a number in the role's unit", 0.0, **_BOUND)
    invert: bool = optional("true or false", default=False)
    absent: Annotated[tuple[int | str, ...], Field(strict=False)] = optional(
        'a list of raw values and ranges, such as [0xFFFF, "0xFB..0xFF"]', ()
    )
    low: float | None = optional("the smallest believable value", **_BOUND)
    high: float | None = optional("the largest believable value", **_BOUND)
    max_age_s: float = optional("seconds, 0.1 to 600, such as 5", 5.0, ge=0.1, le=600)
    flag: str | None = optional('a flag, such as "charge-refused"')
    bits: dict[str, int] | None = optional('a table such as { "low-voltage-trip" = 0 }')
