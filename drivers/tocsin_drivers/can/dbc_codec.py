"""Signals of a DBC file and the frames that carry them, to one sample. Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import Decimal
from itertools import groupby
from typing import TYPE_CHECKING, TypeAlias, cast

from tocsin.ports import DriverError
from tocsin.registers import PointRole
from tocsin_drivers.can.frames import (
    EXTENDED,
    STANDARD,
    AbsentError,
    Filter,
    Frame,
    Heard,
)
from tocsin_drivers.quantities import rounded
from tocsin_drivers.roles import FIELDS, MANY, OF_ROLE, sample_of

if TYPE_CHECKING:
    from collections.abc import Hashable, Iterator, Mapping

    from tocsin.core.model import Flag, Sample
    from tocsin.dbc import Dbc, DbcMessage, DbcSignal
    from tocsin.signals import MappedSignal, SignalMap

LONGEST_WAIT_S = 10.0
"""A sample may take so long to come together, whatever the oldest allowed value."""

MOST_NAMED = 3
"""So many missing signals are named, the others counted."""

Identity: TypeAlias = tuple[int, tuple[int, ...]]
"""An identifier, and which of the wanted signals its frame carries."""


@dataclass(frozen=True, slots=True)
class _Wanted:
    """A mapped signal, where it stands, and its name for people."""

    number: int
    mapped: MappedSignal
    message: DbcMessage
    signal: DbcSignal
    what: str

    @property
    def most_s(self) -> float:
        return self.mapped.max_age_ms / 1_000

    def is_in(self, data: bytes) -> bool:
        """Return whether *data* is long enough and of the right page."""
        if len(data) < self.signal.needs:
            return False
        for name, values in self.signal.pages:
            page = self.message.signals[name]
            if len(data) < page.needs or page.unsigned(data) not in values:
                return False
        return True


class DbcListener:
    """Listens to a pack by its signals; see `tocsin_drivers.can.frames.Listener`.

    The newest frame is kept for each page of a multiplexed message, so every signal
    has its own age. Frames that are too short for every wanted signal count as none.
    """

    def __init__(self, dbc: Dbc, signal_map: SignalMap, *, cells: int) -> None:
        """Take a map whose messages and signals *dbc* has.

        Raises:
            ValueError: it has not; the site file should have said so.
        """
        self.note = ""
        self._map = signal_map
        self._cells = cells
        self._wanted = tuple(
            _wanted(i, mapped, dbc) for i, mapped in enumerate(signal_map.signals)
        )
        self._by_id: dict[tuple[bool, int], tuple[_Wanted, ...]] = {}
        for each in self._wanted:
            message = each.message
            key = signal_map.key(message.can_id, is_extended=message.is_extended)
            self._by_id[key] = (*self._by_id.get(key, ()), each)
        longest_s = max((each.most_s for each in self._wanted), default=0.0)
        self.wait_s = min(longest_s, LONGEST_WAIT_S)

    @property
    def filters(self) -> tuple[Filter, ...]:
        """Return one filter for each message."""
        mask = EXTENDED if self._map.id_mask is None else self._map.id_mask
        return tuple(
            Filter(can_id, mask if is_extended else STANDARD, is_extended)
            for is_extended, can_id in self._by_id
        )

    def identity(self, frame: Frame) -> Identity | None:
        """Return identifier and page; None for what is not one of our messages."""
        if not frame.is_data or frame.is_fd:
            return None
        key = self._map.key(frame.can_id, is_extended=frame.is_extended)
        wanted = self._by_id.get(key)
        if wanted is None:
            return None
        data = frame.data
        carried = tuple([each.number for each in wanted if each.is_in(data)])
        return (frame.can_id, carried) if carried else None

    def sample(self, heard: Mapping[Hashable, Heard], now_s: float) -> Sample:
        """Return the sample of the newest frames.

        Raises:
            DriverError: a signal is missing, too old, has no data or is out of range.
        """
        newest = self._newest(heard, now_s)
        self._refuse_missing(newest, now_s)
        decoded: dict[Heard, Mapping[str, tuple[float, float]]] = {}
        found: dict[PointRole, list[int]] = {}
        flags: set[Flag] = set()
        in_order = sorted(self._wanted, key=lambda each: each.mapped.index)
        for each in in_order:
            came = newest[each.number]
            if came not in decoded:
                decoded[came] = each.message.decode(came.frame.data)
            try:
                raw, value = decoded[came][each.signal.name]
            except KeyError:
                raise AbsentError(f"{each.what} is not in its frame") from None
            _refuse_absent(each, raw)
            if each.mapped.role is PointRole.FLAGS:
                flags |= _flags(each, raw)
            else:
                values = found.setdefault(each.mapped.role, [])
                values.append(_value(each, raw, value))
        return sample_of(found, flags, origin=self._origin(), cells=self._cells)

    def _newest(
        self, heard: Mapping[Hashable, Heard], now_s: float
    ) -> dict[int, Heard]:
        """Return the newest frame with each signal.

        Raises:
            DriverError: two senders say the same signal.
        """
        newest: dict[int, Heard] = {}
        for (_, carried), came in cast("Mapping[Identity, Heard]", heard).items():
            for number in carried:
                other = newest.get(number)
                if other is not None and other.frame.can_id != came.frame.can_id:
                    oldest_s = min(other.at_s, came.at_s)
                    each = self._wanted[number]
                    if now_s - oldest_s <= each.most_s:
                        one, two = sorted((other.frame.can_id, came.frame.can_id))
                        senders = f"{one:08X} and {two:08X}"
                        raise DriverError(f"{each.what} comes from both {senders}")
                if other is None or other.at_s <= came.at_s:
                    newest[number] = came
        return newest

    def _refuse_missing(self, newest: Mapping[int, Heard], now_s: float) -> None:
        missing = [
            text
            for each in self._wanted
            if (text := _missing(each, newest.get(each.number), now_s))
        ]
        if missing:
            more = len(missing) - MOST_NAMED
            named = "; ".join(missing[:MOST_NAMED])
            raise AbsentError(f"{named}; and {more} more" if more > 0 else named)

    def _origin(self) -> tuple[tuple[str, str], ...]:
        return tuple(
            (FIELDS[role], ", ".join(f"{e.message.name}.{e.signal.name}" for e in some))
            for role, some in _by_role(self._wanted)
        )


def _by_role(wanted: tuple[_Wanted, ...]) -> Iterator[tuple[PointRole, list[_Wanted]]]:
    in_order = sorted(wanted, key=lambda each: (each.mapped.role, each.mapped.index))
    for role, some in groupby(in_order, key=lambda each: each.mapped.role):
        yield role, list(some)


def _wanted(number: int, mapped: MappedSignal, dbc: Dbc) -> _Wanted:
    name = f"{mapped.message}.{mapped.signal}"
    message = dbc.messages.get(mapped.message)
    signal = None if message is None else message.signals.get(mapped.signal)
    if message is None or signal is None:
        raise ValueError(f"the DBC file has no {name}")
    what = f"{mapped.role} {mapped.index}" if mapped.role in MANY else str(mapped.role)
    return _Wanted(number, mapped, message, signal, f"{what} ({name})")


def _missing(each: _Wanted, came: Heard | None, now_s: float) -> str:
    if came is None:
        return f"{each.what} has not been heard"
    old_s = now_s - came.at_s
    if old_s <= each.most_s:
        return ""
    if math.isinf(old_s):
        return f"{each.what} has not been heard since the bus was lost"
    return f"{each.what} is {old_s:.1f} s old, at most {each.most_s:g} s"


def _refuse_absent(each: _Wanted, raw: float) -> None:
    if not math.isfinite(raw) or any(
        low <= raw <= high for low, high in each.mapped.absent
    ):
        shown = f"0x{raw:X}" if isinstance(raw, int) and raw >= 0 else f"{raw:g}"
        raise AbsentError(f"{each.what}: no data (raw {shown})")


def _flags(each: _Wanted, raw: float) -> set[Flag]:
    """Return the flags that are set; ``invert`` makes a cleared bit set one."""
    word, mapped = int(raw), each.mapped
    said = {
        flag for bit, flag in mapped.bits if bool(word >> bit & 1) is not mapped.invert
    }
    if mapped.flag is not None and bool(word) is not mapped.invert:
        said.add(mapped.flag)
    return said


def _value(each: _Wanted, raw: float, value: float) -> int:
    """Return the value as the core's integer.

    Raises:
        DriverError: beyond the DBC's bounds, the site's, or what can be.
    """
    signal, mapped = each.signal, each.mapped
    if not math.isfinite(value):
        raise AbsentError(f"{each.what}: no data (raw {raw:g})")
    # Bounds are decimal and values binary: a thousandth of a step is no excess.
    slack = 0.0 if signal.is_float else signal.step / 1_000
    if signal.low is not None and value < signal.low - slack:
        raise DriverError(f"{each.what}: {value:g} is below {signal.low:g}, by the DBC")
    if signal.high is not None and value > signal.high + slack:
        text = f"{each.what}: {value:g} is above {signal.high:g}, by the DBC"
        raise DriverError(text)
    exact = Decimal(repr(value)) * Decimal(repr(mapped.scale))
    exact += Decimal(repr(mapped.offset))
    if mapped.invert:
        exact = -exact
    if mapped.low is not None and exact < Decimal(repr(mapped.low)):
        raise DriverError(f"{each.what}: {exact:.6g} is below {mapped.low:g}")
    if mapped.high is not None and exact > Decimal(repr(mapped.high)):
        raise DriverError(f"{each.what}: {exact:.6g} is above {mapped.high:g}")
    quantity = OF_ROLE[mapped.role]
    return quantity.checked(rounded(exact, quantity.places), each.what)
