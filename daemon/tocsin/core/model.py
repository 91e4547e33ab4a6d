"""The vocabulary of readings. Integers in named units; thresholds never meet a float.

Suffixes: ``_mv`` millivolt, ``_ma`` milliampere (positive while charging), ``_dc``
tenth of a degree Celsius, ``_mah`` milliampere-hour, ``_permille`` tenth of a percent,
``_ms`` millisecond of the daemon's own monotonic clock.
"""

from __future__ import annotations

from dataclasses import dataclass
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
    """

    packs: tuple[Pack, ...]
    capacity_mah: int

    @property
    def strings(self) -> tuple[str, ...]:
        """Return the names of the strings, in order of first use."""
        return tuple(dict.fromkeys(pack.string for pack in self.packs))

    @property
    def total_capacity_mah(self) -> int:
        """Return the nameplate of all strings in parallel."""
        return self.capacity_mah * len(self.strings)
