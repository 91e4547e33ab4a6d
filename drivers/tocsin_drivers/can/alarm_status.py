"""Says on RV-C that the battery is about to cut off: GENERIC_ALARM_STATUS. Pure.

Battery (device type 69), alarm instance 1 is "impending low voltage cut-off": RV-C
specification 6.47. It is sent at every change and request, and again every five seconds
while it lasts (the repetition: common practice, no source).
"""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING

from tocsin.core.alarm import AlarmState
from tocsin.core.events import AlarmFact
from tocsin_drivers.can import rvc_frames as rvc
from tocsin_drivers.can.claim import Claim, name_of
from tocsin_drivers.can.frames import Filter, Frame, Heard

if TYPE_CHECKING:
    from collections.abc import Hashable, Iterable, Mapping

    from tocsin.core.events import Fact

BATTERY = Decimal(69)
IMPENDING_LOW_CUT = Decimal(1)

FORETELLING = frozenset({"low-cell-forecast", "low-cell"})
"""Alarms of the core that announce the low cut-off."""

ACTIVE = frozenset({AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED})

AGAIN_S = 5.0
LEAST_GAP_S = 0.25
"""Never more than four a second, whoever asks."""

MOST_MINUTES = 65_530
_ANY_DESTINATION = 0x03FF_0000


class Speaker:
    """One node that transmits: its address, and the alarm it tells of.

    Frames that it wants are those that claim and request; see `frames.Wants`.
    """

    def __init__(self, *, name: str, instance: int) -> None:
        self._claim = Claim(name_of(name))
        self._instance = Decimal(instance)
        self._active: dict[tuple[str, str], bool] = {}
        self._since_s: float | None = None
        self._is_due = False
        self._sent_s = float("-inf")
        self._looked_s = float("-inf")

    @property
    def filters(self) -> tuple[Filter, ...]:
        """Return filters for claims, and for requests to whomever."""
        claims = rvc.filter_of(rvc.ADDRESS_CLAIMED, rvc.GLOBAL)
        return claims, Filter(rvc.REQUEST << 8, _ANY_DESTINATION, is_extended=True)

    def identity(self, frame: Frame) -> tuple[int, int, int] | None:
        """Return what an address claim or a request for one of our messages is."""
        if not frame.is_extended or not frame.is_data or frame.is_fd:
            return None
        dgn, source = rvc.dgn_of(frame.can_id), rvc.source_of(frame.can_id)
        if dgn == rvc.ADDRESS_CLAIMED:
            return dgn, 0, source
        if dgn != rvc.REQUEST or not self._claim.is_for_us(frame.can_id >> 8 & 0xFF):
            return None
        asked = rvc.requested(frame.data)
        if asked not in {rvc.ADDRESS_CLAIMED, rvc.GENERIC_ALARM}:
            return None
        return dgn, asked or 0, source

    def tell(self, facts: Iterable[Fact], now_s: float) -> None:
        """Follow the alarms that announce the low cut-off."""
        before = dict(self._active)
        for fact in facts:
            if not isinstance(fact, AlarmFact) or fact.alarm not in FORETELLING:
                continue
            key = fact.alarm, fact.subject.partition("/")[0]
            if fact.state in ACTIVE:
                self._active[key] = fact.state == AlarmState.ACKNOWLEDGED
            else:
                self._active.pop(key, None)
        if self._active != before:
            self._is_due = True
        if not self._active:
            self._since_s = None
        elif self._since_s is None:
            self._since_s = now_s

    def begin(self, now_s: float) -> tuple[Frame, ...]:
        """Claim an address on a bus that was just opened."""
        self._looked_s = now_s
        self._is_due = True
        return self._claim.begin(now_s)

    def due(self, heard: Mapping[Hashable, Heard], now_s: float) -> tuple[Frame, ...]:
        """Return what is to be sent now, given the newest claims and requests."""
        frames: list[Frame] = []
        is_asked = False
        for identity, came in heard.items():
            if came.at_s <= self._looked_s:
                continue
            match identity:
                case (rvc.ADDRESS_CLAIMED, 0, int(source)):
                    frames += self._claim.claimed(source, came.frame.data, now_s)
                case (rvc.REQUEST, rvc.ADDRESS_CLAIMED, int()):
                    is_asked = True
                case (rvc.REQUEST, rvc.GENERIC_ALARM, int()):
                    self._is_due = True
                case _:
                    pass
        if is_asked:
            frames += self._claim.asked()
        self._looked_s = max((self._looked_s, *(c.at_s for c in heard.values())))
        address = self._claim.address(now_s)
        silent_s = now_s - self._sent_s
        is_due = self._is_due or (bool(self._active) and silent_s >= AGAIN_S)
        if address is not None and is_due and silent_s >= LEAST_GAP_S:
            self._is_due, self._sent_s = False, now_s
            frames.append(self._status(address, now_s))
        return tuple(frames)

    def _status(self, address: int, now_s: float) -> Frame:
        since_s = now_s if self._since_s is None else self._since_s
        data = rvc.encode(
            rvc.GENERIC_ALARM,
            alarm=IMPENDING_LOW_CUT,
            device_type=BATTERY,
            triggered=bool(self._active),
            monitored=True,
            acknowledged=bool(self._active) and all(self._active.values()),
            auto_reset=True,
            elapsed_min=min(int((now_s - since_s) / 60), MOST_MINUTES),
            device_instance=self._instance,
        )
        return Frame(rvc.can_id_of(rvc.GENERIC_ALARM, address), data)
