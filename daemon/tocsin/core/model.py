"""The vocabulary of readings. Integers in named units; thresholds never meet a float.

Suffixes: ``_mv`` millivolt, ``_ma`` milliampere (positive while charging), ``_dc``
tenth of a degree Celsius, ``_mah`` milliampere-hour, ``_permille`` tenth of a percent,
``_ms`` millisecond of the daemon's own monotonic clock.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum


class Flag(StrEnum):
    """What the battery's own protection says of itself.

    ``*_WARNING``: near a limit. ``*_TRIP``: past it. ``CHARGE_REFUSED`` and
    ``DISCHARGE_REFUSED``: that direction is cut off now, or allowed current is zero.
    """

    LOW_VOLTAGE_WARNING = "low-voltage-warning"
    LOW_VOLTAGE_TRIP = "low-voltage-trip"
    HIGH_VOLTAGE_WARNING = "high-voltage-warning"
    HIGH_VOLTAGE_TRIP = "high-voltage-trip"
    COLD_WARNING = "cold-warning"
    COLD_TRIP = "cold-trip"
    HOT_WARNING = "hot-warning"
    HOT_TRIP = "hot-trip"
    CURRENT_WARNING = "current-warning"
    CURRENT_TRIP = "current-trip"
    IMBALANCE_WARNING = "imbalance-warning"
    COMMUNICATION_FAULT = "communication-fault"
    CONTACTOR_FAULT = "contactor-fault"
    GROUND_FAULT = "ground-fault"
    OTHER_WARNING = "other-warning"
    OTHER_TRIP = "other-trip"
    CHARGE_REFUSED = "charge-refused"
    DISCHARGE_REFUSED = "discharge-refused"


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """All that one pack said in one go. A driver makes it; it bears no time.

    A sample is whole: a driver that could not read a value it was told to read
    raises instead. ``None`` or empty means that this kind of pack never says it.

    Attributes:
        cells_mv: One per series cell, cell 1 first; of a pack with several strings
            in parallel, string after string. Empty when the pack publishes only its
            extremes.
        low_cell_mv: Lowest cell, where single cells are not published.
        high_cell_mv: Highest cell, likewise.
        temps_dc: Every cell temperature, in the pack's own order.
        current_ma: Positive while charging.
        voltage_mv: The pack's own terminal voltage, not a sum of ours.
        soc_permille: The pack's own counter, which drifts.
        charge_limit_ma: Charge current the pack allows now, a magnitude.
        discharge_limit_ma: Discharge current the pack allows now, a magnitude.
        flags: What its protection says.
        beat: A counter the pack moves to show that it lives.
        origin: Which published point each value came from, as (value, point) pairs.
    """

    cells_mv: tuple[int, ...] = ()
    low_cell_mv: int | None = None
    high_cell_mv: int | None = None
    temps_dc: tuple[int, ...] = ()
    current_ma: int | None = None
    voltage_mv: int | None = None
    soc_permille: int | None = None
    charge_limit_ma: int | None = None
    discharge_limit_ma: int | None = None
    flags: frozenset[Flag] = frozenset()
    beat: int | None = None
    origin: tuple[tuple[str, str], ...] = ()


class Value(StrEnum):
    """What an extra source may give; the word is the one used in the site file.

    Never a cell or a temperature: those are a pack's own to say.
    """

    CURRENT = "current"
    VOLTAGE = "voltage"
    SOC = "soc"

    @property
    def field(self) -> str:
        """Return where in a sample it stands."""
        return _FIELDS[self]

    def of(self, sample: Sample | None) -> int | None:
        """Return what *sample* says of it."""
        said: int | None = getattr(sample, self.field, None)
        return said


_FIELDS = {
    Value.CURRENT: "current_ma",
    Value.VOLTAGE: "voltage_mv",
    Value.SOC: "soc_permille",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """How far two sources of one value may be apart.

    Attributes:
        fixed: In the value's own integer unit, above 0.
        permille: Of the larger of the two, on top.
    """

    fixed: int
    permille: int = 0

    def used_permille(self, one: int, other: int) -> int:
        """Return how much of what is allowed the two are apart; 1000 is all of it."""
        allowed = self.fixed * 1_000 + self.permille * max(abs(one), abs(other))
        return abs(one - other) * 1_000_000 // allowed


@dataclass(frozen=True, slots=True, kw_only=True)
class Extra:
    """A source beside the packs' own: a shunt for the whole bank, a second meter.

    Attributes:
        of: A pack, a string, or `BANK` for the whole of it.
        gives: What it says, and how far that may be from what others say.
    """

    name: str
    of: str
    gives: tuple[tuple[Value, Agreement], ...]

    @property
    def values(self) -> tuple[Value, ...]:
        """Return what it says."""
        return tuple(value for value, _ in self.gives)


BANK = "bank"


@dataclass(frozen=True, slots=True, kw_only=True)
class Lent:
    """A value that a pack does not say itself and that was taken from elsewhere.

    Attributes:
        by: The source it came from.
        at_ms: When the oldest reading in it was made.
        shared: Among so many strings a current was divided evenly, for want of better.
    """

    value: Value
    number: int
    by: str
    at_ms: int
    shared: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Pack:
    """One battery with its own protection: *cells* in series, member of *string*."""

    name: str
    cells: int
    string: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Bank:
    """Packs in series make a string, strings in parallel make the bank.

    Attributes:
        packs: Every pack, in the order of the site file.
        capacity_mah: Nameplate of one pack, so of one string too.
        strings: Their names, in order of first use.
    """

    packs: tuple[Pack, ...]
    capacity_mah: int
    strings: tuple[str, ...] = field(init=False)

    def __post_init__(self) -> None:
        strings = tuple(dict.fromkeys(pack.string for pack in self.packs))
        object.__setattr__(self, "strings", strings)

    @property
    def total_capacity_mah(self) -> int:
        """Return the nameplate of all strings in parallel."""
        return self.capacity_mah * len(self.strings)
