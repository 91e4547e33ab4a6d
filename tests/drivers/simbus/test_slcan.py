"""The simulated bus heard by python-can's own interfaces: slcan on a pty, virtual."""

from __future__ import annotations

import asyncio
import os
import tty
from functools import partial
from typing import TYPE_CHECKING, Any

import can
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simbus_can import heard, slcan, virtual
from tocsin_drivers.simbus import rvc_encode as rvc
from tocsin_drivers.simbus.can_bus import VirtualLine
from tocsin_drivers.simbus.can_faults import CanFault, CanTraffic
from tocsin_drivers.simbus.can_frame import CanFrame
from tocsin_drivers.simbus.can_serve import hut_traffic, pumped
from tocsin_drivers.simbus.fern_ridge import make_bank
from tocsin_drivers.simbus.slcan import SlcanPty, frame_line, parse_line

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable

    Ask = Callable[[Any, CanTraffic], Awaitable[None]]

FRAMES = st.builds(
    lambda extended, low, high, data, remote: CanFrame(
        identifier=high if extended else low,
        is_extended=extended,
        data=bytes(len(data)) if remote else data,
        is_remote=remote,
    ),
    st.booleans(),
    st.integers(0, 0x7FF),
    st.integers(0, 0x1FFFFFFF),
    st.binary(max_size=8),
    st.booleans(),
)


def on(medium: str, ask: Ask) -> None:
    """Serve the hut on *medium* and *ask* a python-can bus that is on it."""

    async def serve() -> None:
        traffic = hut_traffic(make_bank())
        if medium == "slcan":
            async with SlcanPty(traffic.answers) as pty:
                bus = slcan(pty.device)
                try:
                    async with pumped(traffic, pty):
                        await ask(bus, traffic)
                finally:
                    bus.shutdown()
        else:
            async with VirtualLine("hut", traffic.answers) as line:
                bus = virtual("hut")
                try:
                    async with pumped(traffic, line):
                        await ask(bus, traffic)
                finally:
                    bus.shutdown()

    asyncio.run(serve())


MEDIA = ("slcan", "virtual")


@pytest.mark.parametrize("medium", MEDIA)
def test_python_can_hears_standard_and_extended_frames_of_every_device(
    medium: str,
) -> None:
    async def ask(bus: Any, _: CanTraffic) -> None:
        messages = await heard(bus, 60)
        standard = {m.arbitration_id for m in messages if not m.is_extended_id}
        extended = {m.arbitration_id >> 8 for m in messages if m.is_extended_id}
        assert {0x2A1, 0x2A3, 0x2B1, 0x2B3} <= standard
        assert {0x19FFFD, 0x19FFFC, 0x19FEC8} <= extended
        assert {len(m.data) for m in messages} == {8}

    on(medium, ask)


@pytest.mark.parametrize("medium", MEDIA)
def test_a_request_on_the_bus_is_answered(medium: str) -> None:
    async def ask(bus: Any, _: CanTraffic) -> None:
        frame = rvc.request(rvc.BATTERY_STATUS_1, source=0xFE)
        bus.send(can.Message(arbitration_id=frame.identifier, data=frame.data))
        messages = await heard(bus, 60)
        asked = [m for m in messages if m.arbitration_id >> 8 == 0x19FE95]
        assert {m.data[0] for m in asked} == {1, 2}

    on(medium, ask)


def test_error_frames_reach_the_virtual_bus_as_what_they_are() -> None:
    async def ask(bus: Any, traffic: CanTraffic) -> None:
        traffic.break_down(CanFault.BUS_OFF)
        while True:
            (message,) = await heard(bus, 1)
            if message.is_error_frame:
                break
        assert message.arbitration_id == 0x40
        await asyncio.sleep(0.1)
        assert bus.recv(0) is None

    on("virtual", ask)


def test_a_serial_adapter_tells_bus_off_in_its_status_and_falls_silent() -> None:
    async def ask(bus: Any, traffic: CanTraffic) -> None:
        await heard(bus, 5)
        traffic.break_down(CanFault.BUS_OFF)
        await asyncio.sleep(0.1)
        while bus.recv(0) is not None:
            pass
        await asyncio.sleep(0.1)
        assert bus.recv(0) is None
        bus._write("F")
        await asyncio.sleep(0.05)
        assert bus._read(0.5) == "F80\r"

    on("slcan", ask)


def test_between_noise_on_the_adapter_s_line_frames_still_come() -> None:
    """python-can raises for such a line and keeps it: its buffer must be emptied."""

    async def ask(bus: Any, traffic: CanTraffic) -> None:
        traffic.break_down(CanFault.NOISE)
        good = broken = 0
        async with asyncio.timeout(10):
            while good < 20 or not broken:
                try:
                    good += bus.recv(0) is not None
                except (ValueError, can.CanError):
                    broken += 1
                    bus.flush()
                await asyncio.sleep(0)

    on("slcan", ask)


@given(FRAMES)
def test_a_line_says_what_the_frame_is(frame: CanFrame) -> None:
    line = frame_line(frame)
    assert line.endswith(b"\r")
    assert parse_line(line[:-1]) == frame


@given(st.binary(max_size=40))
def test_a_line_that_is_no_frame_is_refused(line: bytes) -> None:
    frame = parse_line(line)
    if frame is not None:
        assert frame_line(frame)[:-1].upper() == line.upper()


def dialogue(*commands: bytes) -> list[bytes]:
    """Return what the adapter answers to each command, sent one after the other."""

    async def serve() -> list[bytes]:
        traffic = CanTraffic({})
        async with SlcanPty(traffic.answers) as pty:
            line = os.open(pty.device, os.O_RDWR | os.O_NOCTTY)
            try:
                tty.setraw(line)
                return [await _said(line, command) for command in commands]
            finally:
                os.close(line)

    return asyncio.run(serve())


async def _said(line: int, command: bytes) -> bytes:
    """Return the answer to *command*, or what came in a while if it is not whole."""
    os.set_blocking(line, False)
    os.write(line, command)
    said = b""
    for _ in range(1_000 if command.endswith(b"\r") else 5):
        await asyncio.sleep(0.005)
        try:
            said += os.read(line, 100)
        except BlockingIOError:
            continue
        if said.endswith((b"\r", b"\a")):
            break
    return said


def test_the_adapter_acknowledges_as_the_protocol_says() -> None:
    assert dialogue(
        b"\r",  # an empty line
        b"t1230\r",  # closed: refused
        b"S5\r",
        b"O\r",
        b"O\r",  # open already
        b"S5\r",  # not while open
        b"t1232BEEF\r",
        b"T0123456700\r",  # more data than its length says
        b"T01234567101\r",
        b"F\r",
        b"X\r",
        b"C\r",
        b"V\r",
        b"L\r",
        b"t1230\r",  # listening only
    ) == [
        b"\r",
        b"\a",
        b"\r",
        b"\r",
        b"\a",
        b"\a",
        b"z\r",
        b"\a",
        b"Z\r",
        b"F00\r",
        b"\a",
        b"\r",
        b"V0100\r",
        b"\r",
        b"\a",
    ]


def test_a_command_may_come_in_pieces() -> None:
    assert dialogue(b"O", b"\rt12", b"30\r") == [b"", b"\r", b"z\r"]


def test_a_reader_that_sleeps_loses_whole_frames_and_the_adapter_says_so() -> None:
    async def serve() -> None:
        frame = CanFrame(identifier=0x123, data=bytes(8), is_extended=False)
        async with SlcanPty(lambda _: []) as pty:
            bus = slcan(pty.device)
            try:
                await asyncio.sleep(0.02)
                for _ in range(6_000):
                    pty.send([frame])
                assert pty.lost > 1_000
                messages = await heard(bus, 6_000 - pty.lost)
                assert {bytes(m.data) for m in messages} == {bytes(8)}
                bus._write("F")
                await asyncio.sleep(0.05)
                assert bus._read(0.5) == "F08\r"
            finally:
                bus.shutdown()

    asyncio.run(serve())


def test_a_pulled_adapter_hangs_up_on_its_client() -> None:
    async def serve() -> None:
        async with SlcanPty(lambda _: []) as pty:
            line = os.open(pty.device, os.O_RDWR | os.O_NOCTTY)
            try:
                pty.unplug()
                pty.send([CanFrame(identifier=1)])
                with pytest.raises(OSError, match="error"):
                    os.write(line, b"O\r")
            finally:
                os.close(line)

    asyncio.run(serve())


def test_the_pump_moves_the_story_on() -> None:
    async def serve() -> None:
        seen: list[float] = []
        async with pumped(CanTraffic({}), before=partial(seen.append)):
            await asyncio.sleep(0.1)
        assert len(seen) > 3
        assert seen == sorted(seen)

    asyncio.run(serve())
