"""The bus as it fails: each trap of python-can and SocketCAN, on a bus that has it.

The traps are known from python-can's threads 907, 1667, 1865, 1912, 2004, 2096 and its
sources (4.6.1), and from Linux ``net/can/raw.c``, ``linux/can/error.h`` and
``Documentation/networking/can.rst``.
"""

from __future__ import annotations

import asyncio
import errno
from collections import Counter
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import can
import pytest

from can_made import SMALL_ID, hut, page, whole
from can_stage import Garage, StubBus, error_frame, message, spec, status_1
from tocsin.ports import CanLine, DriverError
from tocsin.registers import PointRole
from tocsin.signals import MappedSignal, SignalMap
from tocsin_drivers.can import link as can_link
from tocsin_drivers.can.buses import INTERFACES, new_bus
from tocsin_drivers.can.dbc_codec import DbcListener
from tocsin_drivers.can.frames import Filter, Frame
from tocsin_drivers.can.health import Ill
from tocsin_drivers.can.link import Link, link_of
from tocsin_drivers.can.rvc_reader import RvcListener
from tocsin_drivers.can.sources import CanSources, build_rvc

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

STUB = CanLine(interface="virtual", channel="stub")
NETDOWN = can.CanOperationError("Error receiving: Network is down", errno.ENETDOWN)
NODEV = can.CanOperationError("Error receiving: No such device", errno.ENODEV)


@pytest.fixture
def garage(monkeypatch: pytest.MonkeyPatch) -> Iterator[Garage]:
    monkeypatch.setattr(can_link, "BACKOFF_S", (0.01, 0.02))
    made = Garage(monkeypatch)
    yield made
    for bus in made.built:
        bus.shutdown()


def rvc_sources(told: list[tuple[str, str, str]] | None = None) -> CanSources:
    sources = build_rvc([spec()])
    assert isinstance(sources, CanSources)
    if told is not None:
        sources.report_to(lambda *what: told.append(what))
    return sources


async def until(happened: Callable[[], Any], *, seconds: float = 2.0) -> None:
    async with asyncio.timeout(seconds):
        while not happened():  # noqa: ASYNC110 what is waited for has no event
            await asyncio.sleep(0.001)


# --- C1, C3: errors of the bus ------------------------------------------------------


def test_the_librarys_own_reader_hides_an_error_and_spins() -> None:
    """The naive way: whoever waits is told nothing while the loop is kept busy."""
    calls = Counter[str]()

    async def main() -> None:
        loop = asyncio.get_running_loop()
        loop.set_exception_handler(lambda *_: calls.update(["unseen"]))
        bus = StubBus()
        reader = can.AsyncBufferedReader()
        notifier = can.Notifier(bus, [reader], loop=loop)
        bus.fail(NETDOWN)
        with pytest.raises(TimeoutError):
            await asyncio.wait_for(reader.get_message(), 0.05)
        calls["exception"] = int(notifier.exception is not None)
        notifier.stop()
        bus.shutdown()

    asyncio.run(main())
    assert calls["unseen"] > 10
    assert calls["exception"] == 0


@pytest.mark.parametrize("error", [NETDOWN, NODEV, OSError(errno.EIO, "input/output")])
def test_an_error_of_the_bus_reaches_the_reader_and_the_bus_is_opened_anew(
    error: Exception, garage: Garage
) -> None:
    told: list[tuple[str, str, str]] = []

    async def main() -> None:
        sources = rvc_sources(told)
        async with sources.open("left") as source:
            garage.bus.put(status_1())
            assert (await source.read()).voltage_mv == 13_200
            first = garage.bus
            first.fail(error)
            await asyncio.sleep(0.02)
            assert first.reads < 10, "it does not spin on the failed bus"
            with pytest.raises(DriverError, match="failed"):
                await source.read()
        assert told[-1][:2] == ("can", "virtual:stub")
        assert "failed" in told[-1][2]
        async with sources.open("left") as source:
            assert garage.bus is not first
            reading = asyncio.create_task(source.read())
            await asyncio.sleep(0.06)
            assert not reading.done(), "what was heard before the loss is no value now"
            garage.bus.put(status_1("10 01"))
            assert (await reading).voltage_mv == 13_600
        assert told[-1] == ("can", "virtual:stub", "")

    asyncio.run(main())
    assert len(garage.built) == 2


def test_a_bus_that_cannot_be_opened_is_tried_ever_later(
    garage: Garage, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(can_link, "BACKOFF_S", (0.02, 0.04, 0.08))
    garage.failures.extend([OSError(errno.ENODEV, "No such device")] * 4)

    async def main() -> list[float]:
        sources = rvc_sources()
        loop = asyncio.get_running_loop()
        tried = [loop.time()]
        for _ in range(4):
            with pytest.raises(DriverError, match=r"cannot be opened.*No such device"):
                async with sources.open("left"):
                    pass
            tried.append(loop.time())
        async with sources.open("left"):
            return [b - a for a, b in pairwise(tried)]

    waits = asyncio.run(main())
    assert waits[0] < 0.02
    assert waits[1] >= 0.02
    assert waits[2] >= 0.04
    assert waits[3] >= 0.08


def test_prolonged_silence_opens_the_bus_anew(
    garage: Garage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A socket whose interface was removed hears nothing, and no error, for ever."""
    monkeypatch.setattr(can_link, "SILENCE_S", 0.1)
    told: list[tuple[str, str, str]] = []

    async def main() -> None:
        sources = rvc_sources(told)
        with pytest.raises(DriverError, match=r"nothing heard for 0\.1 s"):
            async with sources.open("left") as source:
                await source.read()
        assert "nothing heard" in told[-1][2]
        async with sources.open("left") as source:
            garage.bus.put(status_1())
            assert (await source.read()).voltage_mv == 13_200

    asyncio.run(main())
    assert len(garage.built) == 2


# --- C2: many frames ---------------------------------------------------------------


def test_a_flood_is_drained_in_bounded_turns_and_only_the_newest_is_kept(
    garage: Garage,
) -> None:
    async def main() -> None:
        link = Link(STUB)
        ear = link.admit(RvcListener(instance=1))
        async with link.join():
            flood = [status_1(f"{n % 250:02X} 01") for n in range(5_000)]
            garage.bus.put(*flood)
            left = len(flood)
            while garage.bus.frames:
                await asyncio.sleep(0)  # one turn of the loop
                assert left - len(garage.bus.frames) <= 2 * can_link.MOST_A_TURN
                left = len(garage.bus.frames)
            assert len(ear.heard) == 1
            (newest,) = ear.heard.values()
            assert newest.frame.data == bytes(flood[-1].data)

    asyncio.run(main())


def test_what_a_babbling_node_makes_up_is_kept_in_bounds(
    garage: Garage, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(can_link, "MOST_KEPT", 10)

    async def main() -> None:
        link = Link(STUB)
        ear = link.admit(RvcListener(instance=1))
        async with link.join():
            for n in range(100):
                garage.bus.put(status_1(priority=n), status_1(priority=120))
            await until(lambda: not garage.bus.frames)
            assert len(ear.heard) == 10
            assert (0x1FFFD, 120, 0x46) in ear.heard, "who speaks on is not forgotten"

    asyncio.run(main())


def test_packs_of_one_bus_share_it_and_the_last_to_leave_closes_it(
    garage: Garage,
) -> None:
    async def main() -> None:
        specs = [spec("left"), spec("right", instance=2)]
        sources = build_rvc(specs)
        assert link_of(specs[0]) is link_of(specs[1])
        async with sources.open("left"):
            async with sources.open("right") as right:
                two = bytes.fromhex("02 78 10 01 79 EE 34 77")
                garage.bus.put(message(0x19FFFD46, two))
                assert (await right.read()).current_ma == 42_375
            assert len(garage.built) == 1
            assert not garage.bus._is_shutdown
        assert garage.bus._is_shutdown

    asyncio.run(main())


def test_one_bus_with_two_settings_is_refused() -> None:
    kept = link_of(spec(channel="other"))
    clash = CanLine(interface="virtual", channel="other", bitrate=1)
    wanted = spec()
    object.__setattr__(wanted, "line", clash)
    with pytest.raises(ValueError, match="other settings"):
        link_of(wanted)
    assert str(kept) == "virtual:other"


# --- C4, C5: error frames ------------------------------------------------------------

BUS_OFF, RESTARTED, NO_ACK, CONTROLLER = 0x40, 0x100, 0x20, 0x04


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
    new_bus(CanLine(interface=interface, channel="x"), filters)
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


def test_a_whole_reading_over_the_virtual_interface() -> None:
    """No descriptor there: the bus is looked at now and then."""

    async def main() -> None:
        link = Link(CanLine(interface="virtual", channel="test-link"))
        ear = link.admit(RvcListener(instance=1))
        async with link.join():
            with can.Bus(interface="virtual", channel="test-link") as battery:
                for frame in whole():
                    battery.send(message(frame.can_id, frame.data))
                battery.send(status_1())
                await until(lambda: ear.heard)

    asyncio.run(main())
