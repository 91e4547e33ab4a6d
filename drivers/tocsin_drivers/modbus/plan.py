"""Wanted registers to as few requests as the limits allow. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING

from tocsin.ports import DriverError
from tocsin_drivers.modbus.dialogue import Ask

if TYPE_CHECKING:
    from collections.abc import Iterable

    from tocsin.registers import RegisterMap


@dataclass(frozen=True, slots=True, order=True)
class Span:
    """*count* registers from *address* that must come in one reply."""

    function: int
    address: int
    count: int

    @property
    def end(self) -> int:
        """Return the first address behind the last register."""
        return self.address + self.count


def spans(register_map: RegisterMap) -> tuple[Span, ...]:
    """Return one span for every value of every point."""
    return tuple(
        Span(point.function, point.address + i * point.step, point.type.registers)
        for point in register_map.points
        for i in range(point.count)
    )


def plan(wanted: Iterable[Span], *, most: int, max_gap: int) -> tuple[Ask, ...]:
    """Return the requests that read *wanted*, in order of function and address.

    Every wanted register is in exactly one request; no request is longer than *most*
    registers or runs over more than *max_gap* unwanted ones in a row. Filling from
    the left is the fewest there can be: putting a cut later never costs a request.

    Raises:
        DriverError: values that overlap are together longer than *most*.
    """
    asks: list[Ask] = []
    for function, group in groupby(sorted(wanted), key=lambda span: span.function):
        requests: list[Span] = []
        for whole in _joined(group, most):
            last = requests[-1] if requests else None
            if (
                last is None
                or whole.address - last.end > max_gap
                or whole.end - last.address > most
            ):
                requests.append(whole)
            else:
                count = whole.end - last.address
                requests[-1] = Span(function, last.address, count)
        asks += (Ask(span.address, span.count, function) for span in requests)
    return tuple(asks)


def _joined(ascending: Iterable[Span], most: int) -> list[Span]:
    """Return spans that share no register: what overlaps has become one span."""
    wholes: list[Span] = []
    for span in ascending:
        if wholes and span.address < wholes[-1].end:
            last = wholes.pop()
            count = max(last.end, span.end) - last.address
            wholes.append(Span(last.function, last.address, count))
        else:
            wholes.append(span)
        if wholes[-1].count > most:
            at = f"0x{wholes[-1].address:04X}"
            text = f"overlapping values from {at} on need more than {most} registers"
            raise DriverError(text)
    return wholes
