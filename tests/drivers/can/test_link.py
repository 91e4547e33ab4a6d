"""The bus as it fails: each trap of python-can and SocketCAN, on a bus that has it.

The traps are known from the sources of python-can 4.6.1, and from Linux
``net/can/raw.c``, ``include/uapi/linux/can/error.h`` and
``Documentation/networking/can.rst``.
"""

from __future__ import annotations

import asyncio
import errno
from collections import Counter
from itertools import pairwise

import can
import pytest

from can_made import whole
from can_stage import (
    Garage,
    StubBus,
    message,
    rvc_sources,
    spec,
    status_1,
    until,
)
from tocsin.ports import CanLine, DriverError
from tocsin_drivers.can import ear as can_ear
from tocsin_drivers.can import link as can_link
from tocsin_drivers.can.link import Link, link_of
from tocsin_drivers.can.rvc_reader import RvcListener
from tocsin_drivers.can.sources import build_rvc

STUB = CanLine(interface="virtual", channel="stub")
NETDOWN = can.CanOperationError("Error receiving: Network is down", errno.ENETDOWN)
NODEV = can.CanOperationError("Error receiving: No such device", errno.ENODEV)


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

    async def main() -> None:
        sources = rvc_sources()
        for _ in range(4):
            with pytest.raises(DriverError, match=r"cannot be opened.*No such device"):
                async with sources.open("left"):
                    pass
        async with sources.open("left"):
            pass

    asyncio.run(main())
    waits = [after - before for before, after in pairwise(garage.tried_s)]
    least = (0.02, 0.04, 0.08, 0.08)
    assert all(s > least_s - 1e-6 for s, least_s in zip(waits, least, strict=True))


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
    monkeypatch.setattr(can_ear, "MOST_KEPT", 10)

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
