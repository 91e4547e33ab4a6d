"""What a reading may say, whoever decoded it."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

from tests.fuzz.campaign import WrongError

from tocsin.core.measures import refusal
from tocsin.core.model import Pack
from tocsin.core.site import Chemistry
from tocsin_drivers import quantities as q

if TYPE_CHECKING:
    from tocsin.core.model import Sample

FIELDS = (
    ("cells_mv", q.CELL),
    ("low_cell_mv", q.CELL),
    ("high_cell_mv", q.CELL),
    ("temps_dc", q.TEMPERATURE),
    ("current_ma", q.CURRENT),
    ("voltage_mv", q.VOLTAGE),
    ("soc_permille", q.CHARGE),
    ("charge_limit_ma", q.LIMIT),
    ("discharge_limit_ma", q.LIMIT),
)
"""The drivers' own bounds: 0 to 10 V, -100 to 250 degC, 20 000 A, and so on."""

CORE = (
    ("cells_mv", 500, 5_000),
    ("low_cell_mv", 500, 5_000),
    ("high_cell_mv", 500, 5_000),
    ("temps_dc", -600, 1_250),
    ("current_ma", -20_000_000, 20_000_000),
    ("soc_permille", 0, 1_000),
    ("charge_limit_ma", 0, 100_000_000),
    ("discharge_limit_ma", 0, 100_000_000),
)
"""What may be left once the core has refused what is impossible."""


def judged(sample: Sample, cells: int) -> None:
    """See that *sample*, of a driver, is possible, and what the core makes of it.

    Raises:
        WrongError: a value that no battery can show, or that is no integer.
    """
    for name, quantity in FIELDS:
        for value in _values(sample, name):
            if type(value) is not int:
                raise WrongError(f"{name} is no integer: {value!r}")
            if not quantity.low <= value <= quantity.high:
                raise WrongError(f"{name} {value} came out")
    judged_by_core(sample, cells)


def judged_by_core(sample: Sample, cells: int) -> None:
    """See that what the core would take of *sample* is possible.

    Raises:
        WrongError: it would take a value that no battery can show.
    """
    if wrong := impossible(sample, cells):
        raise WrongError(f"the core takes {wrong}")


def impossible(sample: Sample, cells: int) -> str:
    """Return what no battery can show of a sample that the core would take."""
    if refusal(sample, _pack(cells), Chemistry()):
        return ""
    most_mv = 5_000 * cells
    for name, low, high in (*CORE, ("voltage_mv", 0, most_mv)):
        for value in _values(sample, name):
            if not low <= value <= high:
                return f"{name} {value}"
    return ""


@cache
def _pack(cells: int) -> Pack:
    return Pack(name="left", cells=cells, string="A")


def _values(sample: Sample, name: str) -> tuple[int, ...]:
    value = getattr(sample, name)
    if value is None:
        return ()
    return value if isinstance(value, tuple) else (value,)
