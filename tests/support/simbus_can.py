"""Ways to hear a simulated CAN bus with other people's code."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, Any

import can
import cantools

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from tocsin_drivers.simbus.can_frame import CanFrame

RVC_DBC = """\
VERSION ""
BU_: Any
BO_ 2583690751 STATUS_1: 8 Any
 SG_ instance : 0|8@1+ (1,0) [0|250] "" Any
 SG_ priority : 8|8@1+ (1,0) [0|250] "" Any
 SG_ volts : 16|16@1+ (0.05,0) [0|3212.5] "V" Any
 SG_ amps_out : 32|32@1+ (0.001,-2000000) [-2000000|2294967.29] "A" Any
BO_ 2583690495 STATUS_2: 8 Any
 SG_ instance : 0|8@1+ (1,0) [0|250] "" Any
 SG_ priority : 8|8@1+ (1,0) [0|250] "" Any
 SG_ temperature : 16|16@1+ (0.03125,-273) [-273|1735] "degC" Any
 SG_ soc : 32|8@1+ (0.5,0) [0|125] "%" Any
 SG_ left_min : 40|16@1+ (1,0) [0|65530] "min" Any
 SG_ to_full : 56|2@1+ (1,0) [0|3] "" Any
BO_ 2583611903 STATUS_4: 8 Any
 SG_ instance : 0|8@1+ (1,0) [0|250] "" Any
 SG_ priority : 8|8@1+ (1,0) [0|250] "" Any
 SG_ state : 16|8@1+ (1,0) [0|250] "" Any
 SG_ wish_v : 24|16@1+ (0.05,0) [0|3212.5] "V" Any
 SG_ wish_a : 40|16@1+ (0.05,-1600) [-1600|1612.5] "A" Any
BO_ 2583611647 STATUS_5: 8 Any
 SG_ instance : 0|8@1+ (1,0) [0|250] "" Any
 SG_ priority : 8|8@1+ (1,0) [0|250] "" Any
 SG_ volts : 16|32@1+ (0.001,0) [0|4294967.29] "V" Any
BO_ 2583611391 STATUS_6: 8 Any
 SG_ instance : 0|8@1+ (1,0) [0|250] "" Any
 SG_ priority : 8|8@1+ (1,0) [0|250] "" Any
 SG_ high_limit : 16|2@1+ (1,0) [0|3] "" Any
 SG_ high_disconnect : 18|2@1+ (1,0) [0|3] "" Any
 SG_ low_limit : 20|2@1+ (1,0) [0|3] "" Any
 SG_ low_disconnect : 22|2@1+ (1,0) [0|3] "" Any
BO_ 2583602687 STATUS_11: 8 Any
 SG_ instance : 0|8@1+ (1,0) [0|250] "" Any
 SG_ priority : 8|8@1+ (1,0) [0|250] "" Any
 SG_ load_on : 16|2@1+ (1,0) [0|3] "" Any
 SG_ charge_on : 18|2@1+ (1,0) [0|3] "" Any
 SG_ charging : 20|2@1+ (1,0) [0|3] "" Any
 SG_ reserve : 22|2@1+ (1,0) [0|3] "" Any
 SG_ full_ah : 24|16@1+ (1,0) [0|65530] "Ah" Any
 SG_ watts : 40|16@1+ (1,0) [0|65530] "W" Any
"""
"""DC source messages of the RV-C specification (RVIA, 6.5.2 to 6.5.12), written as a
DBC by hand, apart from the encoder: identifiers are priority 6, source address FF."""

SOURCE_MASK = 0xFF


def rvc_values(frame: CanFrame) -> tuple[str, Mapping[str, Any]] | None:
    """Return name and values of an RV-C frame through cantools; None if unknown."""
    try:
        message = _RVC.get_message_by_frame_id(frame.identifier | SOURCE_MASK)
    except KeyError:
        return None
    values: Any = message.decode(frame.data, decode_choices=False)
    return message.name, values


_RVC: Any = cantools.database.load_string(RVC_DBC, "dbc")


def written(frames: Iterable[CanFrame]) -> list[str]:
    """Return frames as a page would print them: ``19FFFD46 0178...``."""
    return [f"{frame.identifier:08X} {frame.data.hex(' ').upper()}" for frame in frames]


def slcan(device: str) -> Any:
    """Open python-can's own serial adapter interface on a pty."""
    return can.Bus(
        interface="slcan", channel=device, bitrate=250_000, sleep_after_open=0
    )


def virtual(channel: str) -> can.BusABC:
    return can.Bus(interface="virtual", channel=channel)


async def heard(bus: can.BusABC, count: int, within_s: float = 5.0) -> list[Any]:
    """Return the first *count* messages; fails when they do not come."""
    messages: list[Any] = []
    async with asyncio.timeout(within_s):
        while len(messages) < count:
            message = bus.recv(0)
            if message is None:
                await asyncio.sleep(0.005)
            else:
                messages.append(message)
    return messages
