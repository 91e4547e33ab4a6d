"""What the electronics of a simulated pack send on a CAN bus, and when.

Time is given, not read: `due` returns what a device has to say up to a moment. What a
long pause missed is said once, not made up for.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING

from tocsin.core.model import Flag
from tocsin_drivers.simbus import rvc_encode as rvc
from tocsin_drivers.simbus.can_frame import CanFrame
from tocsin_drivers.simbus.hut_dbc import pack_messages, raw_values
from tocsin_drivers.simbus.image import IDLE_DA

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from tocsin_drivers.simbus.hut_dbc import Message
    from tocsin_drivers.simbus.pack import PackReading

    Read = Callable[[], PackReading]

# Broadcast gaps of the RV-C messages, from memory, to be checked in the specification.
FAST_MS = 500
SECOND_MS = 1_000
SLOW_MS = 5_000
ALARM_LOW_CUT_OFF = 1
"""Of a battery: "impending low voltage cut-off" (rv-c.com, node 527)."""
LOW_VOLTAGE_FMI = 1
VOLTAGE_SPN = 1
"""Suspect parameter of our own choosing: the specification's list was not read."""
LAMP_OPERATES = 0b0101
HOUR_MIN = 60


@dataclass(slots=True)
class Broadcast:
    """One frame that comes again and again.

    Attributes:
        every_ms: Asked after each sending; a device may speed up while something is
            wrong.
        is_on_change: It is also sent as soon as its content changes.
        page: Of a multiplexed message; None without pages.
    """

    make: Callable[[], CanFrame]
    every_ms: Callable[[], int]
    next_ms: int = 0
    is_on_change: bool = False
    page: int | None = None
    sent: CanFrame | None = None

    def due(self, now_ms: int) -> CanFrame | None:
        """Return the frame if it is to be sent now."""
        is_time = now_ms >= self.next_ms
        if not is_time and not self.is_on_change:
            return None
        frame = self.make()
        if not is_time and frame == self.sent:
            return None
        every_ms = self.every_ms()
        late_ms = now_ms - self.next_ms
        is_late = not 0 <= late_ms < every_ms
        self.next_ms = (now_ms if is_late else self.next_ms) + every_ms
        self.sent = frame
        return frame


@dataclass(slots=True)
class Node:
    """One device on the bus.

    Attributes:
        broadcasts: What it sends unasked.
        answers: By DGN, what it says when it is asked.
    """

    source: int
    broadcasts: list[Broadcast]
    answers: Mapping[int, Callable[[], CanFrame]] = field(default_factory=dict)

    def due(self, now_ms: int, missing: frozenset[int] = frozenset()) -> list[CanFrame]:
        """Return what is sent up to *now_ms*, without the pages that are *missing*."""
        frames = []
        for broadcast in self.broadcasts:
            frame = broadcast.due(now_ms)
            if frame is not None and broadcast.page not in missing:
                frames.append(frame)
        return frames

    def answer(self, frame: CanFrame) -> list[CanFrame]:
        """Return the answer to *frame*, if that is a request for what it has."""
        dgn = rvc.requested(frame, self.source)
        make = self.answers.get(dgn) if dgn is not None else None
        return [] if make is None else [make()]


def dbc_node(read: Read, messages: Sequence[Message]) -> Node:
    """Return a device that sends the hut's own messages of a pack.

    The pages of a message are spread evenly over its cycle.
    """
    broadcasts = []
    for message in messages:
        step_ms = message.cycle_ms // len(message.pages)
        broadcasts += [
            Broadcast(
                make=partial(_dbc_frame, read, message, page),
                every_ms=partial(int, message.cycle_ms),
                next_ms=place * step_ms,
                page=page,
            )
            for place, page in enumerate(message.pages)
        ]
    return Node(source=0, broadcasts=broadcasts)


def named_dbc_node(read: Read, name: str, place: int) -> Node:
    """Return `dbc_node` of the *place*-th pack (from 0)."""
    return dbc_node(read, pack_messages(name, place, len(read().cells_mv)))


def _dbc_frame(read: Read, message: Message, page: int | None) -> CanFrame:
    data = message.encode(raw_values(read()), page)
    return CanFrame(identifier=message.identifier, data=data, is_extended=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class RvcPlace:
    """Where a pack stands in RV-C.

    Attributes:
        instance: Of the DC source: 1 main house battery, 3 secondary house battery.
        battery: Instance of the battery itself, for messages on request.
        priority: Device priority; 120 is a battery that counts its own charge, 40 a
            meter of voltage and current.
        source: Address; no two devices share one.
    """

    instance: int = 1
    battery: int = 1
    priority: int = 120
    source: int = 0x46


def rvc_node(read: Read, place: RvcPlace, *, watch_mv: int = 3_000) -> Node:
    """Return a device that sends a pack as an RV-C DC source.

    Battery messages and the generic alarm come on request; the alarm says that the
    lowest cell is below *watch_mv*, an impending low voltage cut-off.
    """
    source = rvc.Head(place.instance, place.priority, place.source)
    battery = rvc.Head(place.battery, place.instance, place.source)
    timed: list[tuple[int, Callable[[rvc.Head, PackReading], CanFrame]]] = [
        (FAST_MS, partial(_status_1, dgn=rvc.DC_SOURCE_STATUS_1)),
        (FAST_MS, partial(_status_2, dgn=rvc.DC_SOURCE_STATUS_2)),
        (FAST_MS, _status_3),
        (SLOW_MS, partial(_status_4, dgn=rvc.DC_SOURCE_STATUS_4)),
        (FAST_MS, _status_5),
        (SECOND_MS, partial(_status_11, dgn=rvc.DC_SOURCE_STATUS_11)),
    ]
    broadcasts = [
        Broadcast(make=_made(make, source, read), every_ms=partial(int, every_ms))
        for every_ms, make in timed
    ]
    edges = Broadcast(
        make=_made(_status_6, source, read),
        every_ms=partial(int, SLOW_MS),
        is_on_change=True,
    )
    lamp = Broadcast(
        make=lambda: _diagnostic(place.source, read()),
        every_ms=lambda: SECOND_MS if _is_red(read()) else SLOW_MS,
        is_on_change=True,
    )
    alarm = partial(_alarm, place, read, watch_mv)
    bell = Broadcast(make=alarm, every_ms=partial(int, SLOW_MS), is_on_change=True)
    answers = {
        rvc.BATTERY_STATUS_1: partial(_status_1, dgn=rvc.BATTERY_STATUS_1),
        rvc.BATTERY_STATUS_2: partial(_status_2, dgn=rvc.BATTERY_STATUS_2),
        rvc.BATTERY_STATUS_4: partial(_status_4, dgn=rvc.BATTERY_STATUS_4),
        rvc.BATTERY_STATUS_11: partial(_status_11, dgn=rvc.BATTERY_STATUS_11),
    }
    return Node(
        source=place.source,
        broadcasts=[*broadcasts, edges, lamp, bell],
        answers={
            **{dgn: _made(make, battery, read) for dgn, make in answers.items()},
            rvc.GENERIC_ALARM_STATUS: alarm,
        },
    )


def shunt_node(read: Callable[[], tuple[int, int]], place: RvcPlace) -> Node:
    """Return a current sensor on the bank's cable, as an RV-C DC source.

    *read* gives voltage in mV and current in mA, positive while charging.
    """
    head = rvc.Head(place.instance, place.priority, place.source)

    def said() -> CanFrame:
        mv, ma = read()
        return rvc.status_1(head, rvc.DC_SOURCE_STATUS_1, mv=mv, out_ma=-ma)

    every = partial(int, FAST_MS)
    return Node(place.source, [Broadcast(make=said, every_ms=every)])


def _made(
    make: Callable[[rvc.Head, PackReading], CanFrame], head: rvc.Head, read: Read
) -> Callable[[], CanFrame]:
    return lambda: make(head, read())


def _status_1(head: rvc.Head, reading: PackReading, *, dgn: int) -> CanFrame:
    out_ma = -reading.current_da * 100
    return rvc.status_1(head, dgn, mv=reading.voltage_mv, out_ma=out_ma)


def _status_2(head: rvc.Head, reading: PackReading, *, dgn: int) -> CanFrame:
    """Tell the coldest cell: that is the one which limits charge."""
    is_filling = reading.current_da >= IDLE_DA
    missing_ah = reading.nameplate_ah * (100 - reading.soc_pct) / 100
    way_ah = missing_ah if is_filling else _left_ah(reading)
    amps = abs(reading.current_da) / 10
    left_min = None
    if abs(reading.current_da) >= IDLE_DA:
        left_min = round(way_ah / amps * HOUR_MIN)
    return rvc.status_2(
        head,
        dgn,
        temp_c=min(reading.temps_dc) / 10,
        soc_pct=reading.soc_pct,
        left_min=left_min,
        is_to_full=is_filling,
    )


def _left_ah(reading: PackReading) -> float:
    return reading.nameplate_ah * reading.soc_pct / 100


def _status_3(head: rvc.Head, reading: PackReading) -> CanFrame:
    return rvc.status_3(
        head,
        left_ah=round(_left_ah(reading)),
        left_pct=reading.soc_pct,
        health_pct=None,
    )


def _status_4(head: rvc.Head, reading: PackReading, *, dgn: int) -> CanFrame:
    """Wish 3.5 V a cell, common practice, no source; or no charge at all."""
    limit_da = reading.charge_limit_da
    return rvc.status_4(
        head,
        dgn,
        state=rvc.CONSTANT if limit_da else rvc.DO_NOT_CHARGE,
        wish_mv=3_500 * len(reading.cells_mv) if limit_da else 0,
        wish_ma=limit_da * 100,
    )


def _status_5(head: rvc.Head, reading: PackReading) -> CanFrame:
    return rvc.status_5(head, mv=reading.voltage_mv)


def _status_6(head: rvc.Head, reading: PackReading) -> CanFrame:
    flags = reading.flags
    return rvc.status_6(
        head,
        high_limit=Flag.HIGH_VOLTAGE_WARNING in flags,
        high_disconnect=Flag.HIGH_VOLTAGE_TRIP in flags,
        low_limit=Flag.LOW_VOLTAGE_WARNING in flags,
        low_disconnect=Flag.LOW_VOLTAGE_TRIP in flags,
    )


def _status_11(head: rvc.Head, reading: PackReading, *, dgn: int) -> CanFrame:
    watts = abs(reading.voltage_mv * reading.current_da) / 10_000
    return rvc.status_11(
        head,
        dgn,
        load_on=Flag.DISCHARGE_REFUSED not in reading.flags,
        charge_on=Flag.CHARGE_REFUSED not in reading.flags,
        is_charging=reading.current_da >= IDLE_DA,
        is_reserve=Flag.LOW_VOLTAGE_WARNING in reading.flags,
        full_ah=round(reading.nameplate_ah),
        watts=round(watts),
    )


def _is_red(reading: PackReading) -> bool:
    return Flag.LOW_VOLTAGE_TRIP in reading.flags


def _diagnostic(source: int, reading: PackReading) -> CanFrame:
    is_red = _is_red(reading)
    if not is_red:
        return rvc.whole_frame(
            rvc.DM_RV, source, bytes([LAMP_OPERATES, rvc.BATTERY_DEVICE])
        )
    return rvc.diagnostic(
        source,
        status=LAMP_OPERATES,
        is_red=True,
        device=rvc.BATTERY_DEVICE,
        spn=VOLTAGE_SPN,
        fmi=LOW_VOLTAGE_FMI,
    )


def _alarm(place: RvcPlace, read: Read, watch_mv: int) -> CanFrame:
    return rvc.generic_alarm(
        place.source,
        alarm=ALARM_LOW_CUT_OFF,
        device=rvc.BATTERY_DEVICE,
        is_on=min(read().cells_mv) < watch_mv,
        elapsed_min=None,
        instance=place.battery,
    )
