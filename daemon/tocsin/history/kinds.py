"""What is kept of a pack: the names of its values, their units, and how they thin."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

from tocsin.core.forecast import Limit

FILE_NAME = "history.db"
LONGEST_SHOWN = 60


class HistoryError(Exception):
    """There is no history to read, or it is one that must not be touched."""


class Tier(IntEnum):
    """How finely samples are kept; the number is the width of a bucket in ms."""

    RAW = 0
    MINUTE = 60_000
    QUARTER = 900_000

    @property
    def block_ms(self) -> int:
        """Return the longest time that one block of this tier spans."""
        return _BLOCK_MS[self]


_BLOCK_MS = {Tier.RAW: 600_000, Tier.MINUTE: 3_600_000, Tier.QUARTER: 86_400_000}


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of value: integers inside, ``integer / divisor`` for people.

    Attributes:
        symbol: The unit people read.
        decimals: How many they need.
        is_thinned: Least, mean and largest of it mean something.
    """

    symbol: str
    divisor: int = 1
    decimals: int = 0
    is_thinned: bool = True


_VOLT = Kind("V", 1000, 3)
_AMPERE = Kind("A", 1000, 1)
_SECONDS = Kind("s")
_PART = Kind("", is_thinned=False)

KINDS = {
    "cell": _VOLT,
    "temp": Kind("degC", 10, 1),
    "current": _AMPERE,
    "voltage": _VOLT,
    "soc": Kind("%", 10, 1),
    "charge-limit": _AMPERE,
    "discharge-limit": _AMPERE,
    "allowed-charge": _AMPERE,
    "flags": Kind("", is_thinned=False),
}
"""By name. Of ``cell`` and ``temp`` there is one a cell or sensor: ``cell/7``.

``charge-limit`` and ``discharge-limit`` are what the pack itself allows,
``allowed-charge`` what its coldest cell allows by the chemistry's table. ``flags`` are
what its protection says, as a number (`flags_of` reads it).
"""

KINDS |= {
    f"{limit}-{bound}": kind
    for limit in Limit
    for bound, kind in (
        ("early", _SECONDS),
        ("likely", _SECONDS),
        ("late", _SECONDS),
        ("part", _PART),
    )
}


def kind_of(name: str) -> Kind:
    """Return the kind of the value *name*, such as ``cell/7``.

    Raises:
        HistoryError: nothing of that name is ever kept.
    """
    try:
        return KINDS[name.partition("/")[0]]
    except KeyError:
        known, shown = ", ".join(KINDS), name[:LONGEST_SHOWN]
        raise HistoryError(
            f"no value {shown!r} is kept; there are {known}, with the number of the "
            "cell or sensor as in cell/7"
        ) from None
