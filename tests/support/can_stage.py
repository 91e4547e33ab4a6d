"""A stage for the CAN link: a bus that does as it is told, and a clock on it."""

from __future__ import annotations

import asyncio
import os
from collections import deque
from contextlib import suppress
from typing import TYPE_CHECKING, Any
from weakref import WeakValueDictionary

import can

from tocsin.ports import CanLine, SourceSpec
from tocsin_drivers.can import link as can_link
from tocsin_drivers.can.sources import CanSources, build_rvc

if TYPE_CHECKING:
    from collections.abc import Callable


class StubBus(can.BusABC):
    """A bus with a real descriptor: readable while *frames* or an *error* wait."""

    def __init__(self, filters: Any = ()) -> None:
        self.frames: deque[can.Message] = deque()
        self.error: Exception | None = None
        self.filters_asked = filters
        self.sent: list[can.Message] = []
        self.send_error: Exception | None = None
        self.reads = 0
        self._out, self._in = os.pipe()
        os.set_blocking(self._out, False)
        super().__init__(channel="stub")

    def put(self, *messages: can.Message) -> None:
        self.frames.extend(messages)
        os.write(self._in, b".")

    def fail(self, error: Exception) -> None:
        self.error = error
        os.write(self._in, b".")

    def fileno(self) -> int:
        return self._out

    def _recv_internal(self, timeout: float | None) -> tuple[can.Message | None, bool]:
        del timeout
        self.reads += 1
        if self.error is not None:
            raise self.error
        if self.frames:
            return self.frames.popleft(), True
        with suppress(BlockingIOError):
            os.read(self._out, 4096)
        return None, True

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        assert timeout == 0, "a send must not hold up the loop"
        if self.send_error is not None:
            raise self.send_error
        self.sent.append(msg)

    def shutdown(self) -> None:
        super().shutdown()
        for descriptor in (self._out, self._in):
            with suppress(OSError):
                os.close(descriptor)


class Garage:
    """Where stub buses are made; each opening takes the next of *failures*.

    Attributes:
        tried_s: When it was asked for one, by the event loop's clock.
    """

    def __init__(self, monkeypatch: Any) -> None:
        self.built: list[StubBus] = []
        self.tried_s: list[float] = []
        self.failures: deque[Exception] = deque()
        monkeypatch.setattr(can_link, "new_bus", self._new_bus)
        monkeypatch.setattr(can_link, "_LINKS", WeakValueDictionary())

    def _new_bus(self, where: CanLine, filters: Any) -> StubBus:
        del where
        self.tried_s.append(asyncio.get_running_loop().time())
        if self.failures:
            raise self.failures.popleft()
        self.built.append(StubBus(filters))
        return self.built[-1]

    @property
    def bus(self) -> StubBus:
        return self.built[-1]


def spec(
    name: str = "left",
    *,
    driver: str = "rv-c",
    channel: str = "stub",
    cells: int = 4,
    **options: Any,
) -> SourceSpec:
    return SourceSpec(
        name=name,
        driver=driver,
        cells=cells,
        line=CanLine(interface="virtual", channel=channel),
        options=options or {"instance": 1},
    )


def message(can_id: int, data: bytes | str, **more: Any) -> can.Message:
    payload = bytes.fromhex(data) if isinstance(data, str) else data
    more.setdefault("is_extended_id", True)
    return can.Message(arbitration_id=can_id, data=payload, **more)


def status_1(volts: str = "08 01", *, priority: int = 0x78, source: int = 0x46) -> Any:
    data = f"01 {priority:02X} {volts} A8 F5 35 77"
    return message(0x19FFFD00 | source, data)


def error_frame(classes: int, controller: int = 0) -> can.Message:
    """Return what SocketCAN makes of an error: class bits for an identifier."""
    return can.Message(
        arbitration_id=classes,
        data=bytes((0, controller, 0, 0, 0, 0, 0, 0)),
        is_error_frame=True,
        is_extended_id=False,
    )


def rvc_sources(told: list[tuple[str, str, str]] | None = None) -> CanSources:
    """Return the sources of one RV-C pack that only listens."""
    sources = build_rvc([spec()])
    assert isinstance(sources, CanSources)
    if told is not None:
        sources.report_to(lambda *what: told.append(what))
    return sources


async def until(happened: Callable[[], Any], *, seconds: float = 5.0) -> None:
    async with asyncio.timeout(seconds):
        while not happened():  # noqa: ASYNC110 what is waited for has no event
            await asyncio.sleep(0.001)
