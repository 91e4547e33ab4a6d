"""The pack's own protection: what Tocsin must always be ahead of."""

from __future__ import annotations

from dataclasses import dataclass

from tocsin.core.model import Flag


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """When the protection opens a direction, and when it closes it again.

    Delays and release values are common practice, no source.

    Attributes:
        low_v: A cell below this opens discharge.
        low_release_v: Every cell at least this closes it again.
        high_v: A cell above this opens charge.
        high_release_v: Every cell at most this closes it again.
        cold_charge_c: The coldest sensor at or below this opens charge.
        cold_release_c: At or above this it is closed again.
        cold_discharge_c: Below this discharge is opened too.
        hot_c: Above this both directions are opened.
        release_k: Deadband of the last two.
        low_warning_v: Only told, nothing opens.
        high_warning_v: Likewise.
        release_delay_s: How long a release must hold.
    """

    low_v: float = 2.80
    low_release_v: float = 3.10
    low_delay_s: float = 2.0
    high_v: float = 3.75
    high_release_v: float = 3.40
    high_delay_s: float = 1.0
    cold_charge_c: float = 5.0
    cold_release_c: float = 6.0
    cold_discharge_c: float = -20.0
    hot_c: float = 50.0
    temp_delay_s: float = 5.0
    release_k: float = 2.0
    low_warning_v: float = 2.90
    high_warning_v: float = 3.65
    release_delay_s: float = 30.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Extremes:
    """What the protection looks at: volts and degrees C."""

    low_v: float
    high_v: float
    cold_c: float
    hot_c: float


class _Trip:
    """One protective function with its delays."""

    def __init__(self, delay_s: float, release_delay_s: float) -> None:
        self._delays = (delay_s, release_delay_s)
        self._since_s = 0.0
        self.tripped = False

    def watch(self, dt_s: float, *, beyond: bool, released: bool) -> None:
        turning = released if self.tripped else beyond
        self._since_s = self._since_s + dt_s if turning else 0.0
        if turning and self._since_s >= self._delays[self.tripped]:
            self.tripped = not self.tripped
            self._since_s = 0.0


class Protector:
    """Opens charge or discharge, late enough to be sure, and says why."""

    def __init__(self, limits: Limits) -> None:
        self.limits = limits
        hold_s = limits.release_delay_s
        self._low = _Trip(limits.low_delay_s, hold_s)
        self._high = _Trip(limits.high_delay_s, hold_s)
        self._cold_charge = _Trip(limits.temp_delay_s, limits.temp_delay_s)
        self._cold = _Trip(limits.temp_delay_s, hold_s)
        self._hot = _Trip(limits.temp_delay_s, hold_s)
        self._warnings: frozenset[Flag] = frozenset()

    @property
    def charge_open(self) -> bool:
        """Return True while no charge current can flow."""
        return self._high.tripped or self._cold_charge.tripped or self._hot.tripped

    @property
    def discharge_open(self) -> bool:
        """Return True while no discharge current can flow."""
        return self._low.tripped or self._cold.tripped or self._hot.tripped

    @property
    def flags(self) -> frozenset[Flag]:
        """Return what the protection says of itself.

        Refusing charge in the cold is a warning and a refusal: nothing was cut off.
        """
        said = {
            Flag.LOW_VOLTAGE_TRIP: self._low.tripped,
            Flag.HIGH_VOLTAGE_TRIP: self._high.tripped,
            Flag.COLD_WARNING: self._cold_charge.tripped,
            Flag.COLD_TRIP: self._cold.tripped,
            Flag.HOT_TRIP: self._hot.tripped,
            Flag.CHARGE_REFUSED: self.charge_open,
            Flag.DISCHARGE_REFUSED: self.discharge_open,
        }
        return self._warnings | {flag for flag, true in said.items() if true}

    def watch(self, dt_s: float, seen: Extremes) -> None:
        """Look at the pack after *dt_s* in which it was as *seen*."""
        at = self.limits
        self._low.watch(
            dt_s,
            beyond=seen.low_v < at.low_v,
            released=seen.low_v >= at.low_release_v,
        )
        self._high.watch(
            dt_s,
            beyond=seen.high_v > at.high_v,
            released=seen.high_v <= at.high_release_v,
        )
        self._cold_charge.watch(
            dt_s,
            beyond=seen.cold_c <= at.cold_charge_c,
            released=seen.cold_c >= at.cold_release_c,
        )
        self._cold.watch(
            dt_s,
            beyond=seen.cold_c < at.cold_discharge_c,
            released=seen.cold_c >= at.cold_discharge_c + at.release_k,
        )
        self._hot.watch(
            dt_s,
            beyond=seen.hot_c > at.hot_c,
            released=seen.hot_c <= at.hot_c - at.release_k,
        )
        near = {
            Flag.LOW_VOLTAGE_WARNING: seen.low_v <= at.low_warning_v,
            Flag.HIGH_VOLTAGE_WARNING: seen.high_v >= at.high_warning_v,
        }
        self._warnings = frozenset(flag for flag, true in near.items() if true)
