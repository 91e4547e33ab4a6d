"""The hut's own CAN messages: layout, DBC file and bytes. Pure.

Every pack sends four messages with 11-bit identifiers. Cell voltages are multiplexed,
three a page, least significant byte first; temperatures likewise, most significant
byte first, so that a reader must know both. What is not available is all ones, and in
a signed field its lowest value.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from tocsin_drivers.simbus.image import PLAIN_BITS

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from tocsin_drivers.simbus.pack import PackReading

PAGE_CELLS = 3
BYTES = 8
FIRST_IDENTIFIER = 0x2A1
NEXT_PACK = 0x10
PAGE = "Page"
BEAT = "Counter"
BEATS = 256


@dataclass(frozen=True, slots=True, kw_only=True)
class Signal:
    """A field of a message.

    Attributes:
        start: As a DBC says it: the lowest bit, or where *is_big* the highest.
        low, high: What is possible, scaled.
        page: Value of the message's page number for which it is there; None always.
    """

    name: str
    start: int
    length: int
    scale: str = "1"
    low: str = "0"
    high: str = "0"
    unit: str = ""
    is_signed: bool = False
    is_big: bool = False
    page: int | None = None

    @property
    def absent(self) -> int:
        """Return the bits that say "not available"."""
        return 1 << self.length - 1 if self.is_signed else (1 << self.length) - 1

    def placed(self, raw: int | None) -> int:
        """Return *raw*, or "not available", at its bits of a little-endian frame."""
        ones = (1 << self.length) - 1
        bits = self.absent if raw is None else raw & ones
        if not self.is_big:
            return bits << self.start
        first = self.start // 8 * 8 + 7 - self.start % 8
        shifted = bits << 8 * BYTES - first - self.length
        return int.from_bytes(shifted.to_bytes(BYTES, "big"), "little")


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """One identifier's layout; *cycle_ms* is from one page to its next sending."""

    name: str
    node: str
    identifier: int
    cycle_ms: int
    signals: tuple[Signal, ...]

    @property
    def pages(self) -> tuple[int | None, ...]:
        """Return the page numbers, or None once for a message without pages."""
        numbers = {s.page for s in self.signals if s.page is not None}
        return tuple(sorted(numbers)) or (None,)

    def encode(self, raws: Mapping[str, int | None], page: int | None = None) -> bytes:
        """Return the bytes of a frame; what *raws* lacks is not available."""
        whole = 0
        for signal in self.signals:
            if signal.page in {None, page}:
                raw = page if signal.name == PAGE else raws.get(signal.name)
                whole |= signal.placed(raw)
        return whole.to_bytes(BYTES, "little")


def _paged(kind: str, count: int, *, is_big: bool, **more: str) -> tuple[Signal, ...]:
    page = Signal(name=PAGE, start=7 if is_big else 0, length=8, is_big=is_big)
    values = (
        Signal(
            name=f"{kind}_{number + 1}",
            start=16 * (number % PAGE_CELLS + 1) + (7 if is_big else 0),
            length=16,
            is_big=is_big,
            is_signed=is_big,
            page=number // PAGE_CELLS,
            **more,
        )
        for number in range(count)
    )
    return (page, *values)


def _state_signals() -> tuple[Signal, ...]:
    flags = (
        Signal(name=_title(flag), start=48 + place, length=1, high="1")
        for place, flag in PLAIN_BITS.items()
    )
    return (
        Signal(name="Voltage", start=0, length=16, scale="0.01", high="600", unit="V"),
        Signal(
            name="Current", start=16, length=16, scale="0.1", is_signed=True,
            low="-3000", high="3000", unit="A",
        ),
        Signal(name="StateOfCharge", start=32, length=8, high="100", unit="%"),
        Signal(name=BEAT, start=40, length=8, high="255"),
        *flags,
    )  # fmt: skip


def _node(name: str) -> str:
    return name.title().replace("-", "_")


def _title(words: str) -> str:
    return "".join(word.title() for word in words.split("-"))


_LIMITS = (
    Signal(name="ChargeAllowed", start=0, length=16, scale="0.1", high="3000",
           unit="A"),
    Signal(name="DischargeAllowed", start=16, length=16, scale="0.1", high="3000",
           unit="A"),
    Signal(name="LowestCell", start=32, length=16, scale="0.001", high="5", unit="V"),
    Signal(name="HighestCell", start=48, length=16, scale="0.001", high="5", unit="V"),
)  # fmt: skip


def pack_messages(name: str, place: int, cells: int) -> tuple[Message, ...]:
    """Return the messages of the pack called *name*, the *place*-th from 0."""
    node, first = _node(name), FIRST_IDENTIFIER + place * NEXT_PACK
    cell_signals = _paged(
        "Cell", cells, is_big=False, scale="0.001", high="5", unit="V"
    )
    temp_signals = _paged(
        "Temperature", cells, is_big=True, scale="0.1", low="-60", high="120",
        unit="degC",
    )  # fmt: skip
    layouts = (
        ("Cells", cell_signals),
        ("Temperatures", temp_signals),
        ("State", _state_signals()),
        ("Limits", _LIMITS),
    )
    return tuple(
        Message(
            name=f"{node}_{kind}",
            node=node,
            identifier=first + number,
            cycle_ms=_CYCLES_MS[kind],
            signals=signals,
        )
        for number, (kind, signals) in enumerate(layouts)
    )


def raw_values(reading: PackReading) -> dict[str, int | None]:
    """Return the raw value of every signal of the pack."""
    cells, temps = reading.cells_mv, reading.temps_dc
    raws: dict[str, int | None] = {
        "Voltage": round(reading.voltage_mv / 10),
        "Current": reading.current_da,
        "StateOfCharge": reading.soc_pct,
        BEAT: reading.beat % BEATS,
        "ChargeAllowed": reading.charge_limit_da,
        "DischargeAllowed": reading.discharge_limit_da,
        "LowestCell": min(cells),
        "HighestCell": max(cells),
    }
    raws |= {_title(flag): int(flag in reading.flags) for flag in PLAIN_BITS.values()}
    raws |= {f"Cell_{i}": mv for i, mv in enumerate(cells, start=1)}
    return raws | {f"Temperature_{i}": dc for i, dc in enumerate(temps, start=1)}


def dbc_text(messages: Sequence[Message]) -> str:
    """Return the DBC file of *messages*."""
    nodes = " ".join(dict.fromkeys(message.node for message in messages))
    blocks = [
        'VERSION ""\n',
        "NS_ :\n\tBA_\n\tBA_DEF_\n\tBA_DEF_DEF_\n\tCM_\n",
        "BS_:\n",
        f"BU_: {nodes} Watch\n",
        *(_block(message) for message in messages),
        _comments(messages),
    ]
    return "\n".join(blocks)


def _block(message: Message) -> str:
    rows = [f"BO_ {message.identifier} {message.name}: {BYTES} {message.node}"]
    for signal in message.signals:
        page = "" if signal.page is None else f" m{signal.page}"
        mark = " M" if signal.name == PAGE else page
        order = 0 if signal.is_big else 1
        sign = "-" if signal.is_signed else "+"
        rows.append(
            f" SG_ {signal.name}{mark} : {signal.start}|{signal.length}@{order}{sign} "
            f'({signal.scale},0) [{signal.low}|{signal.high}] "{signal.unit}" Watch'
        )
    return "\n".join(rows) + "\n"


def _comments(messages: Sequence[Message]) -> str:
    about = (
        "The simulated packs of Fern Ridge hut. Current is positive while charging. "
        "Not available: all ones, or the lowest value of a signed signal."
    )
    rows = [
        f'CM_ "{about}";',
        'BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;',
        'BA_DEF_DEF_ "GenMsgCycleTime" 0;',
    ]
    rows += [
        f'BA_ "GenMsgCycleTime" BO_ {message.identifier} {message.cycle_ms};'
        for message in messages
    ]
    return "\n".join(rows) + "\n"


_CYCLES_MS = {"Cells": 500, "Temperatures": 2_000, "State": 200, "Limits": 1_000}
_STALE_CYCLES = 5
_ROLES = (
    ("State", "Voltage", "voltage", "absent = [0xFFFF]"),
    ("State", "Current", "current", "absent = [-32768]"),
    ("State", "StateOfCharge", "soc", "absent = [0xFF]"),
    ("Limits", "ChargeAllowed", "charge-limit", "absent = [0xFFFF]"),
    ("Limits", "DischargeAllowed", "discharge-limit", "absent = [0xFFFF]"),
    ("State", BEAT, "beat", ""),
    *(
        ("State", _title(flag), "flags", f'flag = "{flag}"')
        for flag in PLAIN_BITS.values()
    ),
)


def signals_toml(name: str, cells: int) -> str:
    """Return the ``[[pack.signal]]`` tables that read `pack_messages` of *name*.

    A value is too old after five cycles of its message; common practice, no source.
    """
    node = _node(name)
    temps = f"1..{cells} at {node}_Temperatures.Temperature_{{1}}"
    rows = [
        (
            "Cells",
            f'cells = "1..{cells} at {node}_Cells.Cell_{{1}}"\nabsent = [0xFFFF]',
        ),
        ("Temperatures", f'temperatures = "{temps}"\nabsent = [-32768]'),
    ]
    rows += [
        (kind, f'signal = "{node}_{kind}.{signal}"\nrole = "{role}"\n{more}'.rstrip())
        for kind, signal, role, more in _ROLES
    ]
    return "".join(
        f"[[pack.signal]]\n{row}\n"
        f"max_age_s = {_STALE_CYCLES * _CYCLES_MS[kind] / 1000:g}\n\n"
        for kind, row in rows
    )
