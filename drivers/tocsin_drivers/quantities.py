"""Raw numbers to the core's integers, and what no battery can show. Pure.

Rounding is half to even (IEEE 754 roundTiesToEven, Python's ``round``): 3.2505 V is
3250 mV and 3.2515 V is 3252 mV, so that rounding adds no bias.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Decimal

from tocsin.ports import DriverError


@dataclass(frozen=True, slots=True)
class Quantity:
    """A measured thing.

    Attributes:
        unit: Of the published value, as people write it.
        places: The core's integer is the value times ten to this power.
        low: Smallest integer that a battery can show.
        high: Largest.
    """

    unit: str
    places: int
    low: int
    high: int

    def checked(self, value: int, what: str) -> int:
        """Return *value* if it is possible.

        Raises:
            DriverError: it is not; *what* names the point.
        """
        if self.low <= value <= self.high:
            return value
        shown = _shown(value, self.places)
        low, high = _shown(self.low, self.places), _shown(self.high, self.places)
        text = f"{what}: {shown} {self.unit} is impossible ({low} to {high})"
        raise DriverError(text)


# Wide on purpose: these catch raw sentinels read as numbers (0x8000 as 32.768 V), the
# chemistry's own bounds are the core's. Common practice, no source.
CELL = Quantity("V", 3, 0, 10_000)
TEMPERATURE = Quantity("degC", 1, -1_000, 2_500)
CURRENT = Quantity("A", 3, -20_000_000, 20_000_000)
VOLTAGE = Quantity("V", 3, 0, 2_000_000)
CHARGE = Quantity("%", 1, 0, 1_000)
LIMIT = Quantity("A", 3, 0, 100_000_000)


def scaled(raw: int, exponent: int) -> int:
    """Return *raw* times ten to the *exponent*, rounded half to even."""
    if exponent >= 0:
        return int(raw * 10**exponent)
    divisor = 10**-exponent
    quotient, rest = divmod(raw, divisor)
    if 2 * rest > divisor or (2 * rest == divisor and quotient % 2):
        quotient += 1
    return int(quotient)


def rounded(value: Decimal, places: int) -> int:
    """Return *value* times ten to the *places*, rounded half to even."""
    return int(value.scaleb(places).to_integral_value(ROUND_HALF_EVEN))


def _shown(value: int, places: int) -> str:
    return f"{Decimal(value).scaleb(-places):f}"
