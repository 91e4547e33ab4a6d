"""Error frames, sending, filters, times, noise: more traps of the bus; see `test_link`.

The traps are known from the sources of python-can 4.6.1, and from Linux
``net/can/raw.c``, ``include/uapi/linux/can/error.h`` and
``Documentation/networking/can.rst``.
"""

from __future__ import annotations

import asyncio
import errno
from typing import Any

import can
import pytest

from can_made import SMALL_ID, hut, page
from can_stage import (
    Garage,
    error_frame,
    message,
    rvc_sources,
    status_1,
    until,
)
from tocsin.ports import CanLine, DriverError
from tocsin.registers import PointRole
from tocsin.signals import MappedSignal, SignalMap
from tocsin_drivers.can.buses import INTERFACES, new_bus
from tocsin_drivers.can.dbc_codec import DbcListener
from tocsin_drivers.can.frames import Filter, Frame
from tocsin_drivers.can.health import Ill
from tocsin_drivers.can.link import Link
from tocsin_drivers.can.rvc_reader import RvcListener

STUB = CanLine(interface="virtual", channel="stub")


# --- C4, C5: error frames ------------------------------------------------------------

BUS_OFF, RESTARTED = 0x40, 0x100


def test_bus_off_and_a_restart_are_reported(garage: Garage) -> None:
    told: list[tuple[str, str, str]] = []

    async def main() -> None:
        sources = rvc_sources(told)
        async with sources.open("left") as source:
            garage.bus.put(status_1())
            await source.read()
            assert told == []
            garage.bus.put(error_frame(BUS_OFF))
            await until(lambda: told)
            assert told[-1] == ("can", "virtual:stub", "bus-off (once)")
            garage.bus.put(error_frame(RESTARTED))
            await until(lambda: "restarted" in told[-1][2])
            assert not told[-1][2].startswith("bus-off")

    asyncio.run(main())


def test_an_error_frame_is_never_decoded_as_a_small_standard_identifier(
    garage: Garage,
) -> None:
    """0x100 is "restarted" among error classes, and a voltage in the hut's DBC."""
    error = error_frame(RESTARTED)
    assert error.arbitration_id == SMALL_ID
    naive = hut().messages["Small"].decode(bytes(error.data))
    assert naive["Volts"][1] == 0.0, "the naive way makes a number of it"

    async def main() -> None:
        link = Link(STUB)
        volts = MappedSignal(message="Small", signal="Volts", role=PointRole.VOLTAGE)
        ear = link.admit(DbcListener(hut(), SignalMap(signals=(volts,)), cells=4))
        async with link.join():
            garage.bus.put(error)
            await until(lambda: not garage.bus.frames)
            assert ear.heard == {}
            assert link.health.counts == {Ill.RESTARTED: 1}
            plain = {"is_extended_id": False, "is_remote_frame": True}
            garage.bus.put(message(SMALL_ID, "", **plain))
            await until(lambda: not garage.bus.frames)
            assert ear.heard == {}

    asyncio.run(main())


# --- C6, C9: sending ------------------------------------------------------------------


def test_a_full_send_queue_drops_and_counts_and_never_waits(garage: Garage) -> None:
    told: list[tuple[str, str, str]] = []

    async def main() -> None:
        link = Link(STUB)
        link.report_to(lambda *what: told.append(what))
        link.admit(RvcListener(instance=1))
        async with link.join():
            full = can.CanOperationError("Transmit buffer full", errno.ENOBUFS)
            garage.bus.send_error = full
            assert not link.send(page(0, 3300, 3300))
            assert link.health.counts == {Ill.UNSENT: 1}
            link.check()
            assert told[-1][2] == "frames could not be sent (once)"
            garage.bus.send_error = None
            assert link.send(page(0, 3300, 3300))
            assert len(garage.bus.sent) == 1
        assert not link.send(page(0, 3300, 3300)), "nor on a closed bus"

    asyncio.run(main())


def test_nothing_is_ever_sent_unasked(garage: Garage) -> None:
    async def main() -> None:
        async with rvc_sources().open("left") as source:
            request = message(0x18EAFFFE, "CA FE 01 FF FF FF FF FF")
            garage.bus.put(request, status_1())
            await source.read()
            await asyncio.sleep(0.4)

    asyncio.run(main())
    assert garage.bus.sent == []


def asked_of_the_library(
    monkeypatch: pytest.MonkeyPatch, interface: str, filters: tuple[Filter, ...]
) -> dict[str, Any]:
    asked: dict[str, Any] = {}
    monkeypatch.setattr(can, "Bus", lambda **words: asked.update(words))
    new_bus(CanLine(interface=interface, channel="/none/x"), filters)
    return asked


@pytest.mark.parametrize("interface", INTERFACES)
def test_a_bus_is_opened_to_acknowledge_like_any_node(
    interface: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A listen-only node sends no acknowledge, and the battery's only listener must."""
    asked = asked_of_the_library(monkeypatch, interface, ())
    assert asked["interface"] == interface
    assert not asked.get("listen_only")
    assert asked["ignore_config"], "no file of the machine's user opens another bus"


def test_other_interfaces_are_refused() -> None:
    with pytest.raises(ValueError, match="one of socketcan, slcan, virtual"):
        new_bus(CanLine(interface="udp_multicast", channel="239.0.0.1"), ())


# --- C7: time stamps ------------------------------------------------------------------


@pytest.mark.parametrize("stamp", [0.0, 1.0e9, 4.0e9])
def test_the_time_of_day_in_a_frame_says_nothing_of_its_age(
    stamp: float, garage: Garage
) -> None:
    async def main() -> None:
        async with rvc_sources().open("left") as source:
            frame = status_1()
            frame.timestamp = stamp
            garage.bus.put(frame)
            assert (await source.read()).voltage_mv == 13_200

    asyncio.run(main())


# --- C8: filters ----------------------------------------------------------------------


def test_the_kernel_lets_pass_what_is_wanted_and_nothing_else(
    garage: Garage, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def main() -> tuple[Filter, ...]:
        async with rvc_sources().open("left"):
            asked: tuple[Filter, ...] = garage.bus.filters_asked
            return asked

    filters = asyncio.run(main())
    wanted = {0x1FFFD, 0x1FFFC, 0x1FEC9, 0x1FEC8, 0x1FEC7, 0x1FEA5}
    assert {f.can_id for f in filters} == {dgn << 8 for dgn in wanted}
    assert {(f.mask, f.is_extended) for f in filters} == {(0x03FFFF00, True)}
    asked = asked_of_the_library(monkeypatch, "socketcan", filters)["can_filters"]
    first = {"can_id": 0x1FFFD00, "can_mask": 0x03FFFF00, "extended": True}
    assert first in asked
    assert len(asked) == len(filters)


def test_more_filters_than_the_kernel_takes_are_none(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    for count, is_filtered in ((511, True), (512, True), (513, False)):
        filters = tuple(Filter(n, 0x7FF, is_extended=False) for n in range(count))
        asked = asked_of_the_library(monkeypatch, "socketcan", filters)
        assert (asked["can_filters"] is not None) is is_filtered


@pytest.mark.parametrize("interface", ["slcan", "virtual"])
def test_the_librarys_own_filters_are_left_alone(
    interface: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its ``recv(0)`` gives nothing when one unwanted frame stands before a wanted."""
    wanted = Filter(0x100, 0x7FF, is_extended=False)
    asked = asked_of_the_library(monkeypatch, interface, (wanted,))
    assert asked.get("can_filters") is None


# --- frames that are none ----------------------------------------------------------


def test_malformed_frames_are_counted_and_the_rest_goes_on(garage: Garage) -> None:
    async def main() -> None:
        link = Link(STUB)
        ear = link.admit(RvcListener(instance=1))
        async with link.join():
            short = status_1()
            short.dlc = 8
            short.data = short.data[:5]
            long = message(0x19FFFD46, bytes(9))
            garage.bus.put(short, long)
            await until(lambda: not garage.bus.frames)
            assert ear.heard == {}
            assert link.health.counts == {Ill.MALFORMED: 2}
            garage.bus.put(status_1())
            await until(lambda: ear.heard)

    asyncio.run(main())


def test_a_serial_line_that_is_no_frame_does_not_end_the_bus(garage: Garage) -> None:
    async def main() -> None:
        async with rvc_sources().open("left") as source:
            bus, real = garage.bus, garage.bus._recv_internal
            lines: list[Exception] = [ValueError("T1x"), IndexError("T1")]

            def noisy(timeout: float | None) -> tuple[can.Message | None, bool]:
                if lines:
                    raise lines.pop()
                return real(timeout)

            bus._recv_internal = noisy  # type: ignore[method-assign]
            bus.put(status_1())
            assert (await source.read()).voltage_mv == 13_200

    asyncio.run(main())
    assert len(garage.built) == 1


@pytest.mark.parametrize(("bad", "built"), [(15, 1), (16, 1), (17, 2)])
def test_noise_without_end_opens_the_bus_anew_instead_of_spinning(
    bad: int, built: int, garage: Garage
) -> None:
    async def main() -> None:
        sources = rvc_sources()
        async with sources.open("left") as source:
            bus, real = garage.bus, garage.bus._recv_internal
            lines: list[Exception] = [ValueError("T1x")] * bad

            def noisy(timeout: float | None) -> tuple[can.Message | None, bool]:
                if lines:
                    raise lines.pop()
                return real(timeout)

            bus._recv_internal = noisy  # type: ignore[method-assign]
            bus.put(status_1())
            if built == 1:
                await source.read()
                return
            with pytest.raises(DriverError, match="nothing but noise, such as T1x"):
                await source.read()
        async with sources.open("left"):
            pass

    asyncio.run(main())
    assert len(garage.built) == built


class Buggy:
    filters = ()

    def identity(self, frame: Frame) -> None:
        raise ZeroDivisionError(frame.can_id)


def test_a_bug_in_a_codec_is_not_lost_in_a_callback(garage: Garage) -> None:
    async def main() -> None:
        link = Link(STUB)
        link.admit(Buggy())
        async with link.join():
            garage.bus.put(status_1())
            await until(lambda: not garage.bus.frames)
            with pytest.raises(ZeroDivisionError):
                link.check()

    asyncio.run(main())
