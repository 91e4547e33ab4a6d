"""Logs of a CAN bus: written, read, played as a bus, and the frames of a live one."""

from __future__ import annotations

import asyncio
from contextlib import suppress
from typing import TYPE_CHECKING, Any

import can
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from leaping import leap, now_s
from tocsin.ports import CanLine, DriverError, SourceSpec
from tocsin_drivers.can.buses import LogWriter, messages, new_bus, shut
from tocsin_drivers.can.candump import build_log
from tocsin_drivers.simbus.can_frame import CanFrame
from tocsin_drivers.simbus.slcan import SlcanPty

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable
    from pathlib import Path

    from tocsin_drivers.can.buses import Bus

    Play = Callable[[Callable[[], Bus]], Awaitable[None]]

FRAMES = st.builds(
    lambda extended, low, high, data, error: can.Message(
        timestamp=1_436_509_052.25,
        arbitration_id=low if error or not extended else high,
        is_extended_id=extended and not error,
        is_error_frame=error,
        data=data,
    ),
    st.booleans(),
    st.integers(0, 0x1FF),
    st.integers(0, 0x1FFFFFFF),
    st.binary(max_size=8),
    st.booleans(),
)


def facts(message: can.Message) -> tuple[Any, ...]:
    return (
        message.arbitration_id,
        bytes(message.data),
        message.is_extended_id,
        message.is_error_frame,
    )


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(frames=st.lists(FRAMES, min_size=1, max_size=5))
def test_what_is_written_is_read_again(
    tmp_path: Path, frames: list[can.Message]
) -> None:
    path = tmp_path / "bus.log"
    path.unlink(missing_ok=True)
    writer = LogWriter(path)
    for frame in frames:
        writer.write(frame, "can0")
    writer.close()
    assert [facts(m) for m in messages(path)] == [facts(f) for f in frames]
    assert {m.timestamp for m in messages(path)} == {1_436_509_052.25}


def test_a_line_of_the_format_is_read(tmp_path: Path) -> None:
    """A line as `candump -L` of can-utils writes it (from memory)."""
    path = tmp_path / "bus.log"
    path.write_text("(1436509052.249713) can0 044#2A366C2B\n")
    (message,) = messages(path)
    assert message.timestamp == pytest.approx(1_436_509_052.249713)
    assert facts(message) == (0x044, b"\x2a\x36\x6c\x2b", False, False)
    assert message.channel == "can0"


def test_an_error_frame_of_any_class_is_never_data(tmp_path: Path) -> None:
    """The library's reader takes all but one class for data of a 29-bit identifier."""
    path = tmp_path / "bus.log"
    path.write_text("(1.0) can0 20000004#0004000000000000\n(2.0) can0 20000040#\n")
    assert [facts(m) for m in messages(path)] == [
        (0x04, b"\0\x04\0\0\0\0\0\0", False, True),
        (0x40, b"", False, True),
    ]


@pytest.mark.parametrize(
    "line",
    [
        *("what", "(1.0) can0 XYZ#00", "(1.0) can0 7FF00000123#00", "(1.0) can0 -1#00"),
        *("(nan) can0 123#00", "(inf) can0 123#00", "(-1) can0 123#00"),
        *("(1e11) can0 123#00", "(1.0) can0 800#00", "(1.0) can0 123#\udcff0"),
        *("(1.0) can0 40000000#00", "(1.0) can0 60000001#00"),
    ],
)
def test_a_line_that_is_no_frame_is_named(tmp_path: Path, line: str) -> None:
    path = tmp_path / "bus.log"
    whole = f"(0.5) can0 123#00\n{line}\n"
    path.write_text(whole, errors="surrogateescape")
    with pytest.raises(ValueError, match=r"bus\.log:2: no frame"):
        list(messages(path))


@pytest.mark.parametrize(
    ("line", "can_id", "at_s"),
    [
        ("(1.0) can0 7FF#00", 0x7FF, 1.0),
        ("(0) can0 1FFFFFFF#00", 0x1FFF_FFFF, 0.0),
        ("(9e10) can0 3FFFFFFF#00", 0x1FFF_FFFF, 9e10),  # an error frame
    ],
)
def test_the_largest_identifiers_and_times_are_taken(
    tmp_path: Path, line: str, can_id: int, at_s: float
) -> None:
    path = tmp_path / "bus.log"
    path.write_text(f"{line}\n")
    (message,) = messages(path)
    assert (message.arbitration_id, message.timestamp) == (can_id, at_s)


def test_a_log_never_replaces_a_file_and_an_empty_one_leaves_none(
    tmp_path: Path,
) -> None:
    path = tmp_path / "bus.log"
    path.write_text("mine")
    with pytest.raises(FileExistsError):
        LogWriter(path)
    LogWriter(tmp_path / "other.log").close()
    assert [p.name for p in tmp_path.iterdir()] == ["bus.log"]


LOG = (
    "(100.0) can0 100#01\n"
    "(100.5) can1 200#02\n"
    "(101.0) can0 100#03\n"
    "(104.0) can0 100#04\n"
)


def played(
    folder: Path, play: Play, *, text: str = LOG, only: str = "", speed: float = 1.0
) -> None:
    path = folder / "bus.log"
    path.write_text(text)
    line = CanLine(interface="log", channel=f"{path}{only}", speed=speed)

    async def main() -> None:
        await play(lambda: new_bus(line, ()))

    leap(main())


async def heard(bus: Bus, until_s: float) -> list[tuple[float, bytes]]:
    """Return what is heard until the time, and when, to a tenth of a second."""
    said = []
    while now_s() < until_s:
        while (message := bus.recv(0)) is not None:
            said.append((round(now_s(), 1), bytes(message.data)))
        await asyncio.sleep(0.05)
    return said


@pytest.mark.parametrize(("speed", "factor"), [(1.0, 1.0), (4.0, 4.0)])
def test_frames_come_as_they_came(tmp_path: Path, speed: float, factor: float) -> None:
    async def play(open_bus: Callable[[], Bus]) -> None:
        bus = open_bus()
        said = await heard(bus, 3.9 / factor)
        assert [data for _, data in said] == [b"\1", b"\2", b"\3"]
        for (at_s, _), stamp_s in zip(said, (0.0, 0.5, 1.0), strict=True):
            assert at_s == pytest.approx(stamp_s / factor, abs=0.1)
        bus.shutdown()

    played(tmp_path, play, speed=speed)


def test_one_bus_of_several_may_be_played(tmp_path: Path) -> None:
    async def play(open_bus: Callable[[], Bus]) -> None:
        bus = open_bus()
        assert [data for _, data in await heard(bus, 3.0)] == [b"\1", b"\3"]
        bus.shutdown()

    played(tmp_path, play, only="@can0")


def test_who_opens_it_anew_hears_what_comes_next(tmp_path: Path) -> None:
    async def play(open_bus: Callable[[], Bus]) -> None:
        first = open_bus()
        assert len(await heard(first, 0.3)) == 1
        first.shutdown()
        await asyncio.sleep(0.5)
        second = open_bus()
        assert [data for _, data in await heard(second, 3.0)] == [b"\3"]
        second.shutdown()

    played(tmp_path, play)


def test_its_end_is_a_fault_and_it_does_not_begin_again(tmp_path: Path) -> None:
    async def play(open_bus: Callable[[], Bus]) -> None:
        bus = open_bus()
        with pytest.raises(can.CanOperationError, match="has ended"):
            await heard(bus, 10.0)
        assert now_s() == pytest.approx(4.0, abs=0.1)
        bus.shutdown()
        with pytest.raises(can.CanInitializationError, match="has ended"):
            open_bus()

    played(tmp_path, play)


def test_a_broken_line_ends_it_and_is_named(tmp_path: Path) -> None:
    async def play(open_bus: Callable[[], Bus]) -> None:
        bus = open_bus()
        with pytest.raises(can.CanOperationError, match=r"bus\.log:2: no frame"):
            await heard(bus, 10.0)
        bus.shutdown()

    played(tmp_path, play, text="(1.0) can0 100#01\nbroken\n")


def test_a_recording_cannot_be_sent_to(tmp_path: Path) -> None:
    async def play(open_bus: Callable[[], Bus]) -> None:
        bus = open_bus()
        with pytest.raises(can.CanOperationError, match="cannot be sent to"):
            bus.send(can.Message(), timeout=0)
        bus.shutdown()

    played(tmp_path, play)


def spec(name: str, interface: str, channel: str) -> SourceSpec:
    line = CanLine(interface=interface, channel=channel)
    return SourceSpec(name=name, driver="rv-c", cells=16, line=line)


def test_every_frame_of_every_bus_is_logged_error_frames_too(tmp_path: Path) -> None:
    path = tmp_path / "bus.log"
    specs = [
        spec("left", "virtual", "hut one"),
        spec("twin", "virtual", "hut one"),
        spec("right", "virtual", "hut-two"),
    ]

    async def main() -> None:
        async with build_log(specs, path, is_watched=False) as log:
            running = asyncio.ensure_future(log.run())
            await asyncio.sleep(0.05)
            for channel in ("hut one", "hut-two"):
                with can.Bus(interface="virtual", channel=channel) as bus:
                    bus.send(can.Message(arbitration_id=0x19FFFD46, data=b"\1\2"))
                    bus.send(can.Message(arbitration_id=0x40, is_error_frame=True))
            await asyncio.sleep(0.1)
            assert log.frames == 4
            assert log.trouble == ""
            running.cancel()
            with suppress(asyncio.CancelledError):
                await running

    asyncio.run(main())
    assert {(m.channel, *facts(m)) for m in messages(path)} == {
        (name, *each)
        for name in ("hut-one", "hut-two")
        for each in (
            (0x19FFFD46, b"\1\2", True, False),
            (0x40, b"", False, True),
        )
    }


def test_a_bus_that_cannot_be_opened_ends_a_log_that_never_began(
    tmp_path: Path,
) -> None:
    specs = [spec("left", "slcan", "/dev/nothing-here")]

    async def main() -> None:
        async with build_log(specs, tmp_path / "bus.log", is_watched=False) as log:
            await log.run()

    with pytest.raises(ExceptionGroup) as caught:
        asyncio.run(main())
    assert caught.group_contains(DriverError, match="nothing-here cannot be opened")
    assert list(tmp_path.iterdir()) == []


def test_a_bus_that_a_daemon_has_open_is_not_taken_from_it(tmp_path: Path) -> None:
    specs = [spec("left", "slcan", "/dev/ttyUSB0")]

    async def main() -> None:
        async with build_log(specs, tmp_path / "bus.log", is_watched=True):
            raise AssertionError

    with pytest.raises(DriverError, match="cannot be heard twice"):
        asyncio.run(main())
    assert list(tmp_path.iterdir()) == []


def test_a_full_disk_ends_the_log_with_its_reason(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    async def main() -> None:
        specs = [spec("left", "virtual", "full")]
        async with build_log(specs, tmp_path / "bus.log", is_watched=False) as log:
            running = asyncio.ensure_future(log.run())
            await asyncio.sleep(0.05)
            monkeypatch.setattr(LogWriter, "write", full)
            with can.Bus(interface="virtual", channel="full") as bus:
                bus.send(can.Message(arbitration_id=1))
            await running

    with pytest.raises(ExceptionGroup) as caught:
        asyncio.run(main())
    assert caught.group_contains(OSError, match="No space left")


def test_a_serial_adapter_that_another_program_has_open_is_left_alone() -> None:
    async def main() -> None:
        frame = CanFrame(identifier=0x123, data=b"\1", is_extended=False)
        async with SlcanPty(lambda _: []) as pty:
            line = CanLine(interface="slcan", channel=pty.device)
            first = new_bus(line, ())
            await asyncio.sleep(0.05)
            with pytest.raises(OSError, match="another program has it open"):
                new_bus(line, ())
            await asyncio.sleep(0.05)
            assert pty.is_open, "nobody closed the channel of the one who has it"
            pty.send([frame])
            await asyncio.sleep(0.05)
            message = first.recv(0)
            while message is None:
                message = first.recv(0)
            assert message.arbitration_id == 0x123
            shut(first)
            shut(new_bus(line, ()))

    asyncio.run(main())
