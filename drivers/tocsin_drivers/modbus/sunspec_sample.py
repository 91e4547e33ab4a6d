"""The battery models of one device, to one sample. Pure."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from tocsin.core.model import Flag, Sample
from tocsin.ports import DriverError
from tocsin_drivers import quantities
from tocsin_drivers.modbus import sunspec_models as m

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tocsin_drivers.modbus.sunspec_models import Block, Point
    from tocsin_drivers.quantities import Quantity

_HOT = frozenset({Flag.HOT_WARNING})
_COLD = frozenset({Flag.COLD_WARNING})
_CURRENT = frozenset({Flag.CURRENT_WARNING})
_HIGH = frozenset({Flag.HIGH_VOLTAGE_WARNING})
_LOW = frozenset({Flag.LOW_VOLTAGE_WARNING})
_OTHER = frozenset({Flag.OTHER_WARNING})
_IMBALANCE = frozenset({Flag.IMBALANCE_WARNING})

EVENTS: tuple[tuple[int, frozenset[Flag]], ...] = (
    (0, frozenset({Flag.COMMUNICATION_FAULT})),
    (1, _HOT | {Flag.HOT_TRIP}),
    (2, _HOT),
    (3, _COLD | {Flag.COLD_TRIP}),
    (4, _COLD),
    (5, _CURRENT | {Flag.CURRENT_TRIP}),
    (6, _CURRENT),
    (7, _CURRENT | {Flag.CURRENT_TRIP}),
    (8, _CURRENT),
    (9, _HIGH | {Flag.HIGH_VOLTAGE_TRIP}),
    (10, _HIGH),
    (11, _LOW | {Flag.LOW_VOLTAGE_TRIP}),
    (12, _LOW),
    (13, _OTHER | {Flag.OTHER_TRIP}),  # state of charge too low
    (14, _OTHER),
    (15, _OTHER | {Flag.OTHER_TRIP}),  # state of charge too high
    (16, _OTHER),
    (17, _IMBALANCE),
    (18, _IMBALANCE | _OTHER | {Flag.OTHER_TRIP}),  # temperatures too far apart
    (19, _IMBALANCE),
    (20, frozenset({Flag.CONTACTOR_FAULT})),
    (21, _OTHER),  # fan
    (22, frozenset({Flag.GROUND_FAULT})),
    (23, _OTHER),  # open door
    (24, _IMBALANCE),  # of current, in 802 only
    (25, _OTHER | {Flag.OTHER_TRIP}),
    (26, _OTHER),
    (28, _OTHER | {Flag.OTHER_TRIP}),  # configuration
    (29, _OTHER),
)
"""Bits of 802.Evt1, 803.StrEvt1 and 804.Evt1, which share one layout (SunSpec models
802 to 804). The models do not say whether a warning clears when its alarm sets, so an
alarm counts as its warning too."""

DISCONNECTED, FAULT = 1, 99
"""Of 802.State."""


@dataclass(slots=True)
class _Found:
    """Values with the points they came from."""

    values: dict[str, int] = field(default_factory=dict)
    origin: dict[str, str] = field(default_factory=dict)

    def take(self, name: str, value: int | None, point: str) -> bool:
        """Keep the first *value* of a name; return whether there is one now."""
        if value is not None and name not in self.values:
            self.values[name] = value
            self.origin[name] = point
        return name in self.values


@dataclass(frozen=True, slots=True)
class _Bank:
    """The models of one device, by kind; modules in order of string and place."""

    battery: Block | None
    bank: Block | None
    strings: tuple[Block, ...]
    modules: tuple[Block, ...]


def to_sample(
    blocks: Sequence[Block], *, cells: int | None, is_charge_positive: bool
) -> Sample:
    """Return what the models say.

    Single cells come from every model 805, by string, module and cell; their number
    must be *cells*, or for strings in parallel a multiple in each string. Without
    805 there are only the extremes of 804, 803 or 802; with *cells* None nobody asks
    for a cell. ``voltage_mv`` is that of the bus, so of one string.

    Raises:
        DriverError: no cell voltage, too few or many cells, a missing or impossible
            value; the text names it.
    """
    bank = _sorted(blocks)
    found = _Found()
    cells_mv = () if cells is None else _cells(bank, cells, found)
    if cells is not None and not bank.modules:
        _extremes(bank, found)
    temps_dc = _temperatures(bank, found)
    _current(bank, found, 1 if is_charge_positive else -1)
    _headline(bank, found)
    flags = _flags(bank)
    if flags:
        found.origin["flags"] = "Evt1"
    values = found.values
    return Sample(
        cells_mv=cells_mv,
        low_cell_mv=values.get("low_cell_mv"),
        high_cell_mv=values.get("high_cell_mv"),
        temps_dc=temps_dc,
        current_ma=values.get("current_ma"),
        voltage_mv=values.get("voltage_mv"),
        soc_permille=values.get("soc_permille"),
        charge_limit_ma=values.get("charge_limit_ma"),
        discharge_limit_ma=values.get("discharge_limit_ma"),
        flags=flags,
        beat=values.get("beat"),
        origin=tuple(found.origin.items()),
    )


def _sorted(blocks: Sequence[Block]) -> _Bank:
    def of(model: int) -> tuple[Block, ...]:
        return tuple(block for block in blocks if block.place.model == model)

    def index(block: Block) -> tuple[int, int]:
        """A missing index sorts first; equal ones stay in the order of the chain."""
        return block.raw(m.M_STRING) or 0, block.raw(m.M_MODULE) or 0

    return _Bank(
        battery=next(iter(of(m.BATTERY)), None),
        bank=next(iter(of(m.BANK)), None),
        strings=of(m.STRING),
        modules=tuple(sorted(of(m.MODULE), key=index)),
    )


def _cells(bank: _Bank, cells: int, found: _Found) -> tuple[int, ...]:
    values: list[int] = []
    for module in bank.modules:
        first, bases = len(values), module.bases

        def name(i: int, module: Block = module, first: int = first) -> str:
            return f"cell {first + i + 1} ({_name(module)} CellV {i + 1})"

        found_mv = module.values(m.M_CELL_V, quantities.CELL, bases, name)
        for i, value in enumerate(found_mv):
            if value is None:
                why = _missing(module, m.M_CELL_V, bases[i])
                raise DriverError(f"{name(i)}: {why}")
            values.append(value)
    if not bank.modules:
        return ()
    doubts = "".join(dict.fromkeys(module.doubt for module in bank.modules))
    strings = Counter[int | None]()
    for module in bank.modules:
        strings[module.raw(m.M_STRING)] += module.groups
    if not values or any(count % cells for count in strings.values()):
        shares = " + ".join(str(count) for count in strings.values())
        text = f"models 805 have {shares} cells{doubts}, {cells} expected"
        raise DriverError(f"{text} in each string")
    found.origin["cells_mv"] = f"805.CellV{doubts}"
    return tuple(values)


def _name(module: Block) -> str:
    string, place = module.raw(m.M_STRING), module.raw(m.M_MODULE)
    return f"805 string {string} module {place}"


def _missing(block: Block, point: Point, base: int = 0) -> str:
    if block.raw(point, base) is None:
        return f"not implemented (0x{block.registers[base + point.at]:04X})"
    return "its scale factor is missing"


def _extremes(bank: _Bank, found: _Found) -> None:
    """Take the extremes of the first model that has both, of every string."""
    for name, pairs in (
        ("804", [(s, m.S_CELL_MIN, m.S_CELL_MAX, 0) for s in bank.strings]),
        ("803", _bank_strings(bank, m.K_STR_CELL_MIN, m.K_STR_CELL_MAX)),
        (
            "802",
            [(b, m.B_CELL_MIN, m.B_CELL_MAX, 0) for b in (bank.battery,) if b],
        ),
    ):
        lows = [b.value(low, quantities.CELL, at) for b, low, _, at in pairs]
        highs = [b.value(high, quantities.CELL, at) for b, _, high, at in pairs]
        low, high = _all(lows), _all(highs)
        if low and high:
            group = pairs[0]
            found.take("low_cell_mv", min(low), f"{name}.{group[1].name}")
            found.take("high_cell_mv", max(high), f"{name}.{group[2].name}")
            return
    raise DriverError("no cell voltage in the models 802 to 805")


def _bank_strings(
    bank: _Bank, low: Point, high: Point
) -> list[tuple[Block, Point, Point, int]]:
    if bank.bank is None:
        return []
    block = bank.bank
    return [(block, low, high, base) for base in block.bases]


def _all(values: Sequence[int | None]) -> list[int]:
    """Return the values if every one is there, else none."""
    there = [value for value in values if value is not None]
    return there if len(there) == len(values) else []


def _temperatures(bank: _Bank, found: _Found) -> tuple[int, ...]:
    """Return every cell's where a module has them, else its hottest and coldest."""
    temps: list[int] = []
    sources: dict[str, None] = {}
    for module in bank.modules:
        own = _present(
            module.values(m.M_CELL_TMP, quantities.TEMPERATURE, module.bases)
        )
        sources |= {"805.CellTmp": None} if own else {}
        if not own:
            own = _pair(module, m.M_TMP_MAX, m.M_TMP_MIN)
            sources |= {"805.CellTmpMax/Min": None} if own else {}
        temps += own
    if not temps:
        for string in bank.strings:
            temps += _pair(string, m.S_TMP_MAX, m.S_TMP_MIN)
        sources |= {"804.ModTmpMax/Min": None} if temps else {}
    if not temps and bank.bank is not None:
        temps += _pair(bank.bank, m.K_TMP_MAX, m.K_TMP_MIN)
        sources |= {"803.ModTmpMax/Min": None} if temps else {}
    if temps:
        found.origin["temps_dc"] = ", ".join(sources)
    return tuple(temps)


def _pair(block: Block, high: Point, low: Point) -> list[int]:
    return _present([block.value(p, quantities.TEMPERATURE) for p in (high, low)])


def _present(values: Sequence[int | None]) -> list[int]:
    return [value for value in values if value is not None]


def _current(bank: _Bank, found: _Found, sign: int) -> None:
    """Take the battery's own current, else the sum over every string."""
    unit = quantities.CURRENT
    if bank.battery is not None:
        own = bank.battery.value(m.B_A, unit)
        if found.take("current_ma", None if own is None else sign * own, "802.A"):
            return
    strings = _all([block.value(m.S_A, unit) for block in bank.strings])
    if strings:
        found.take("current_ma", sign * sum(strings), "804.A")
        return
    if bank.bank is not None:
        block = bank.bank
        shares = _all(block.values(m.K_STR_A, unit, block.bases))
        if shares:
            found.take("current_ma", sign * sum(shares), f"803.StrA{block.doubt}")


def _headline(bank: _Bank, found: _Found) -> None:
    if (battery := bank.battery) is not None:

        def take(name: str, point: Point, unit: Quantity) -> None:
            found.take(name, battery.value(point, unit), f"802.{point.name}")

        take("voltage_mv", m.B_V, quantities.VOLTAGE)
        take("soc_permille", m.B_SOC, quantities.CHARGE)
        take("charge_limit_ma", m.B_CHARGE_MAX, quantities.LIMIT)
        take("discharge_limit_ma", m.B_DISCHARGE_MAX, quantities.LIMIT)
        found.take("beat", battery.raw(m.B_HB), "802.Hb")
    for string in bank.strings:
        found.take("voltage_mv", string.value(m.S_V, quantities.VOLTAGE), "804.V")


def _flags(bank: _Bank) -> frozenset[Flag]:
    flags: set[Flag] = set()
    for string in bank.strings:
        flags |= _events(string.raw(m.S_EVT))
    if (block := bank.bank) is not None:
        for base in block.bases:
            flags |= _events(block.raw(m.K_STR_EVT, base))
    if (battery := bank.battery) is not None:
        flags |= _events(battery.raw(m.B_EVT))
        state = battery.raw(m.B_STATE)
        if battery.raw(m.B_CHARGE_MAX) == 0 or state == DISCONNECTED:
            flags.add(Flag.CHARGE_REFUSED)
        if battery.raw(m.B_DISCHARGE_MAX) == 0 or state == DISCONNECTED:
            flags.add(Flag.DISCHARGE_REFUSED)
        if state == FAULT:
            flags |= {Flag.OTHER_WARNING, Flag.OTHER_TRIP}
    return frozenset(flags)


def _events(bits: int | None) -> set[Flag]:
    """Return the flags of an event register; None is "not implemented"."""
    if not bits:
        return set()
    return {flag for bit, flags in EVENTS if bits >> bit & 1 for flag in flags}
