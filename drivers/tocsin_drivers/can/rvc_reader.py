"""RV-C status messages of one DC source or battery, to one sample. Pure.

RV-C says nothing of single cells in normal operation: a sample has the pack's voltage,
current, temperature and charge, and what its protection says.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from decimal import Decimal
from typing import TYPE_CHECKING, TypeAlias, cast

from tocsin.core.model import Flag, Sample
from tocsin.ports import DriverError
from tocsin_drivers import quantities
from tocsin_drivers.can import rvc_frames as rvc
from tocsin_drivers.can.frames import AbsentError, Filter, Frame, Heard
from tocsin_drivers.quantities import Quantity, rounded

if TYPE_CHECKING:
    from collections.abc import Hashable, Mapping

    from tocsin_drivers.can.rvc_frames import Value

SOURCE_DGNS = (rvc.DC_1, rvc.DC_2, rvc.DC_4, rvc.DC_5, rvc.DC_6, rvc.DC_11)
BATTERY_DGNS = (rvc.BATTERY_1, rvc.BATTERY_2, rvc.BATTERY_4, rvc.BATTERY_11)

MAX_AGE_S = {
    rvc.DC_1: 3.0,
    rvc.DC_2: 3.0,
    rvc.DC_4: 25.0,
    rvc.DC_5: 3.0,
    rvc.DC_6: 25.0,
    rvc.DC_11: 5.0,
    rvc.BATTERY_1: 3.0,
    rvc.BATTERY_2: 3.0,
    rvc.BATTERY_4: 25.0,
    rvc.BATTERY_11: 5.0,
}
"""Five times the interval at which each is broadcast (0.5 s, 5 s or 1 s), and a little
more for the fastest. The intervals are from memory."""

LEAST_WAIT_S = 3.0
TOGETHER = 4
"""Two devices speak at once if they were heard within this part of the allowed age: a
little more than the interval."""

NO_PRIORITY = 250
"""A device priority above is no priority."""

_SET_WHEN_YES = {
    "high_voltage_limit": Flag.HIGH_VOLTAGE_WARNING,
    "high_voltage_disconnect": Flag.HIGH_VOLTAGE_TRIP,
    "low_voltage_limit": Flag.LOW_VOLTAGE_WARNING,
    "low_voltage_disconnect": Flag.LOW_VOLTAGE_TRIP,
    "reserve_reached": Flag.OTHER_WARNING,
}
_SET_WHEN_NO = {
    "discharge_bus_on": Flag.DISCHARGE_REFUSED,
    "charge_bus_on": Flag.CHARGE_REFUSED,
}

Identity: TypeAlias = tuple[int, int, int]
"""DGN, device priority, source address."""


@dataclass(slots=True)
class _Said:
    """What is said now, value by value."""

    values: dict[str, int] = field(default_factory=dict)
    flags: set[Flag] = field(default_factory=set)
    origin: list[tuple[str, str]] = field(default_factory=list)
    known: set[str] = field(default_factory=set)

    def put(self, name: str, value: Value, kind: Quantity, dgn: int) -> None:
        if not isinstance(value, Decimal):
            return
        number = rounded(value, kind.places)
        self.values[name] = kind.checked(number, f"{name} of {rvc.NAMES[dgn]}")
        self.origin.append((name, rvc.NAMES[dgn]))
        self.known.add(name)


class RvcListener:
    """Listens to one DC source, or to one battery of it.

    Of several devices that speak for a DC source, each message is believed of the one
    of the highest device priority that was heard within the message's own allowed age;
    when it falls silent the next is. A message or a value that was once heard must go
    on being heard: what falls silent makes the reading fail.
    """

    def __init__(
        self,
        *,
        instance: int,
        battery: int | None = None,
        is_charge_positive: bool = False,
        max_age_s: Mapping[int, float] | None = None,
    ) -> None:
        """Take the DC instance, or with *battery* one battery's instance.

        Args:
            instance: Of the DC source, 1 the main bank.
            battery: Of a battery in it; its own messages are then listened to.
            is_charge_positive: For devices that turn the standard's sign of current.
            max_age_s: By DGN, over `MAX_AGE_S`.
        """
        self._instance = instance
        self._battery = battery
        self._dgns = SOURCE_DGNS if battery is None else BATTERY_DGNS
        self._sign = 1 if is_charge_positive else -1
        self._max_age_s = MAX_AGE_S | dict(max_age_s or {})
        self._known: set[str] = set()
        self.note = ""
        self.wait_s = max(LEAST_WAIT_S, self._max_age_s[self._dgns[0]])

    @property
    def filters(self) -> tuple[Filter, ...]:
        """Return one filter for each DGN."""
        return tuple(rvc.filter_of(dgn) for dgn in self._dgns)

    def identity(self, frame: Frame) -> Identity | None:
        """Return DGN, device priority and address of a frame of our instance."""
        if not frame.is_extended or not frame.is_data or frame.is_fd:
            return None
        dgn = (frame.can_id & rvc.DGN_MASK) >> 8
        if dgn not in self._dgns or len(frame.data) <= 1:
            return None
        first, second = frame.data[0], frame.data[1]
        source = rvc.source_of(frame.can_id)
        if self._battery is not None:
            is_ours = (first, second) == (self._battery, self._instance)
            return (dgn, 0, source) if is_ours else None
        if first != self._instance:
            return None
        return dgn, second if second <= NO_PRIORITY else 0, source

    def sample(self, heard: Mapping[Hashable, Heard], now_s: float) -> Sample:
        """Return what the believed devices say now.

        Raises:
            DriverError: a message that is needed, or was once heard, is missing or too
                old; two devices of the same rank speak; a value is missing or cannot
                be true.
        """
        values: dict[int, dict[str, Value]] = {}
        notes: list[str] = []
        speakers = _by_dgn(heard)
        for dgn in self._dgns:
            came = self._believed(dgn, speakers.get(dgn, {}), now_s, notes)
            if came is not None:
                values[dgn] = rvc.decode(dgn, came.frame.data)
        self.note = "; ".join(dict.fromkeys(notes))
        said = self._said(values)
        if gone := sorted(self._known - said.known):
            raise AbsentError(f"{', '.join(gone)}: said before, and now no data")
        self._known = said.known
        return _sample(said)

    def _believed(
        self,
        dgn: int,
        speakers: Mapping[Identity, Heard],
        now_s: float,
        notes: list[str],
    ) -> Heard | None:
        name, most_s = rvc.NAMES[dgn], self._max_age_s[dgn]
        fresh = [who for who, c in speakers.items() if now_s - c.at_s <= most_s]
        if not fresh:
            self._refuse_silence(dgn, speakers, now_s)
            return None
        top = max(priority for _, priority, _ in fresh)
        best = [who for who in fresh if who[1] == top]
        best.sort(key=lambda who: speakers[who].at_s, reverse=True)
        if len(best) > 1:
            apart_s = speakers[best[0]].at_s - speakers[best[1]].at_s
            if apart_s <= most_s / TOGETHER:  # or its address has only changed
                at = " and ".join(f"{who[2]:02X}h" for who in sorted(best[:2]))
                rank = "" if self._battery is not None else f" of priority {top}"
                raise DriverError(f"{name} comes from both {at}{rank}")
        silent = [who for who in speakers if who[1] > top]
        notes += [
            f"device {who[2]:02X}h of priority {who[1]} is silent, "
            f"{best[0][2]:02X}h of priority {top} is believed"
            for who in silent
        ]
        return speakers[best[0]]

    def _refuse_silence(
        self, dgn: int, speakers: Mapping[Identity, Heard], now_s: float
    ) -> None:
        if not speakers and dgn != self._dgns[0]:
            return  # this device never says it
        name = rvc.NAMES[dgn]
        what = f"instance {self._instance}"
        if self._battery is not None:
            what += f", battery {self._battery}"
        newest_s = max((c.at_s for c in speakers.values()), default=float("-inf"))
        if newest_s == float("-inf"):
            raise AbsentError(f"{name} of {what} is not heard")
        old_s, most_s = now_s - newest_s, self._max_age_s[dgn]
        raise AbsentError(
            f"{name} of {what} is {old_s:.1f} s old, at most {most_s:g} s"
        )

    def _said(self, values: Mapping[int, Mapping[str, Value]]) -> _Said:
        """Return what the messages come to.

        Raises:
            DriverError: no voltage or no current, or a value that cannot be true.
        """
        said = _Said()
        first = self._dgns[0]
        volts_dgn, volts = first, values[first]["voltage_v"]
        fine = values.get(rvc.DC_5, {}).get("fine_voltage_v")
        if fine is not None:
            volts_dgn, volts = rvc.DC_5, fine
        said.put("voltage_mv", volts, quantities.VOLTAGE, volts_dgn)
        flow = values[first]["discharge_a"]
        amps = flow * self._sign if isinstance(flow, Decimal) else None
        said.put("current_ma", amps, quantities.CURRENT, first)
        for name in ("voltage_mv", "current_ma"):
            if name not in said.known:
                raise AbsentError(f"{rvc.NAMES[first]}: no data of {name}")
        for dgn, told in values.items():
            said.put("temps_dc", told.get("temp_c"), quantities.TEMPERATURE, dgn)
            said.put("soc_permille", told.get("soc_pct"), quantities.CHARGE, dgn)
            _protection(told, said, dgn)
        return said


def _sample(said: _Said) -> Sample:
    value = said.values.get
    return Sample(
        voltage_mv=value("voltage_mv"),
        current_ma=value("current_ma"),
        temps_dc=(said.values["temps_dc"],) if "temps_dc" in said.values else (),
        soc_permille=value("soc_permille"),
        charge_limit_ma=value("charge_limit_ma"),
        flags=frozenset(said.flags),
        origin=tuple(said.origin),
    )


def _by_dgn(heard: Mapping[Hashable, Heard]) -> dict[int, dict[Identity, Heard]]:
    found: dict[int, dict[Identity, Heard]] = {}
    for identity, came in cast("Mapping[Identity, Heard]", heard).items():
        found.setdefault(identity[0], {})[identity] = came
    return found


def _protection(told: Mapping[str, Value], said: _Said, dgn: int) -> None:
    for flags, when in ((_SET_WHEN_YES, True), (_SET_WHEN_NO, False)):
        for name, flag in flags.items():
            value = told.get(name)
            if value is None:
                continue
            said.known.add(name)
            if value is when:
                said.flags.add(flag)
    state = told.get("charge_state")
    if isinstance(state, Decimal):
        said.known.add("charge_state")
        if state == rvc.DO_NOT_CHARGE:
            said.flags.add(Flag.CHARGE_REFUSED)
        wanted = told.get("desired_a")
        if state in rvc.CHARGING and isinstance(wanted, Decimal) and wanted > 0:
            limit_ma = rounded(wanted, quantities.LIMIT.places)
            said.values["charge_limit_ma"] = limit_ma
            said.origin.append(("charge_limit_ma", rvc.NAMES[dgn]))
