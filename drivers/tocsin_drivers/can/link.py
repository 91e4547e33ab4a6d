"""The bus: opened once for all packs on it, drained in the running loop.

Why this is more than a call of the library (measured
with 4.6.1, or read in the kernel's sources):

- The library's asyncio reader hands an error of the bus to the loop's exception
  handler only, so whoever waits for frames waits for ever, and it takes one frame a
  wake-up into an endless queue. So: our own drain, bounded in one turn, that keeps the
  newest frame of each identity.
- A socket whose interface was removed never hears anything again. So: after any error,
  and when nothing at all is heard for long, the bus is opened anew, ever later.
- ``recv(0)`` with the library's own filters gives nothing when the next frame does not
  pass, even if more wait behind it. So: filters are left to the kernel.
- Error frames come as messages whose identifier is a set of bits. So: they are taken
  out here, and count.
- Time stamps are of the wall clock. So: the loop's time counts.
- Sending to a full queue fails at once. So: what cannot be sent is dropped and counted.
"""

from __future__ import annotations

import asyncio
from contextlib import asynccontextmanager, suppress
from typing import TYPE_CHECKING
from weakref import WeakValueDictionary

from tocsin.ports import CanLine, DriverError, OnTrouble, SourceSpec
from tocsin_drivers.can.buses import (
    FAULTS,
    Bus,
    Message,
    message_of,
    new_bus,
    settle,
    shut,
)
from tocsin_drivers.can.ear import NEVER_S, Ear
from tocsin_drivers.can.frames import MOST_BYTES, Frame, Wants
from tocsin_drivers.can.health import Health, Ill

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable

PART = "can"

MOST_A_TURN = 256
"""So many frames are taken before others in the loop have their turn."""

MOST_BAD = 16
"""More lines in one turn that are no frames, and the bus is opened anew."""

SILENCE_S = 10.0
"""Nothing heard at all for so long, and the bus is opened anew."""

BACKOFF_S = (0.25, 0.5, 1.0, 2.0, 5.0)
POLL_S = 0.01
"""A bus without a descriptor is looked at so often."""


class LostError(DriverError):
    """The bus could not be opened, or failed."""


class Link:
    """One bus, whoever listens on it."""

    def __init__(self, where: CanLine) -> None:
        self.where = where
        self.health = Health()
        self._ears: list[Ear] = []
        self._taps: list[Callable[[Message], None]] = []
        self._tell: OnTrouble | None = None
        self._said = ""
        self._members = 0
        self._opening = asyncio.Lock()
        self._bus: Bus | None = None
        self._stop_watching: Callable[[], None] | None = None
        self._again: asyncio.Handle | None = None
        self._heard_s = NEVER_S
        self._fault = ""
        self._bug: Exception | None = None
        self._failures = 0
        self._not_before_s = NEVER_S

    def admit(self, wants: Wants) -> Ear:
        """Take *wants* into account; before anybody joins."""
        ear = Ear(wants)
        self._ears.append(ear)
        return ear

    def tap(self, tap: Callable[[Message], None]) -> None:
        """Show *tap* every message, error frames too; before anybody joins."""
        self._taps.append(tap)

    def report_to(self, on_trouble: OnTrouble) -> None:
        """Tell *on_trouble* what is wrong with the bus; drivers on it share it."""
        self._tell = on_trouble

    @asynccontextmanager
    async def join(self) -> AsyncIterator[None]:
        """Open the bus, unless others have; the last to go closes it.

        Raises:
            DriverError: it cannot be opened.
        """
        if not self._members:
            self._opening = asyncio.Lock()  # a lock belongs to one event loop
        self._members += 1
        try:
            async with self._opening:
                if self._bus is None:
                    await self._open()
            yield
        finally:
            self._members -= 1
            if not self._members:
                self._close()

    async def _open(self) -> None:
        await asyncio.sleep(max(0.0, self._not_before_s - _now_s()))
        wanted = {f for ear in self._ears for f in ear.filters}
        filters = () if self._taps else tuple(wanted)
        bus: Bus | None = None
        try:
            bus = new_bus(self.where, filters)
            await settle(bus, self.where)
        except (*FAULTS, ValueError, ImportError) as exc:
            shut(bus)
            self._lose(f"cannot be opened: {exc}")
            raise LostError(f"{self} cannot be opened: {exc}") from exc
        except asyncio.CancelledError:
            shut(bus)
            raise
        self._bus = bus
        self._heard_s = _now_s()  # silence begins now
        self._watch(bus)

    def _watch(self, bus: Bus) -> None:
        loop = asyncio.get_running_loop()
        try:
            descriptor = bus.fileno()
        except NotImplementedError:
            descriptor = -1
        if descriptor >= 0:
            loop.add_reader(descriptor, self._drain)
            self._stop_watching = lambda: _stop_reading(loop, descriptor)
        else:
            task = asyncio.create_task(self._poll(), name=f"can:{self}")
            self._stop_watching = lambda: _cancel(task)

    async def _poll(self) -> None:
        while True:
            self._drain()
            await asyncio.sleep(POLL_S)

    def _drain(self) -> None:
        """Take what waits, at most `MOST_A_TURN` frames of it."""
        if self._bus is None:
            return
        now_s = _now_s()
        try:
            if self._took_all(self._bus, now_s):
                self._go_on()
        except (*FAULTS, LostError) as exc:
            self._lose(f"failed: {exc}")
        except Exception as exc:  # noqa: BLE001 a callback's bug would be seen by nobody
            self._bug = exc
        self._say(now_s)

    def _took_all(self, bus: Bus, now_s: float) -> bool:
        """Return whether as many frames as may be came, and more may wait.

        Raises:
            LostError: nothing but noise comes; or what the bus raises when it fails.
        """
        bad = 0
        for _ in range(MOST_A_TURN):
            try:
                message = bus.recv(0)
            except (ValueError, IndexError) as exc:
                # A serial adapter's line that is no frame; the next may be one.
                self.health.note(Ill.MALFORMED, now_s)
                bad += 1
                if bad > MOST_BAD:
                    raise LostError(f"nothing but noise, such as {exc}") from exc
                continue
            if message is None:
                return False
            self._take(message, now_s)
        return True

    def _go_on(self) -> None:
        """Come back in the next turn, where no descriptor may say that more waits."""
        if self._again is None:
            self._again = asyncio.get_running_loop().call_soon(self._resume)

    def _resume(self) -> None:
        self._again = None
        self._drain()

    def _take(self, message: Message, now_s: float) -> None:
        for tap in self._taps:
            tap(message)
        data = bytes(message.data)
        if message.is_error_frame:
            self.health.error_frame(message.arbitration_id, data, now_s)
            return
        self._heard_s = now_s
        self.health.data_frame()
        self._fault, self._failures = "", 0
        is_short = len(data) != message.dlc and not message.is_remote_frame
        if is_short or (len(data) > MOST_BYTES and not message.is_fd):
            self.health.note(Ill.MALFORMED, now_s)
            return
        frame = Frame(
            message.arbitration_id,
            data,
            message.is_extended_id,
            is_remote=message.is_remote_frame,
            is_fd=message.is_fd,
        )
        for ear in self._ears:
            ear.take(frame, now_s)

    def check(self) -> None:
        """Raise if nothing more can be expected of the bus as it is.

        Raises:
            DriverError: it failed, or was silent for too long; open it anew.
            Exception: a bug that came up while frames were taken.
        """
        if self._bug is not None:
            bug, self._bug = self._bug, None
            raise bug
        now_s = _now_s()
        if self._bus is not None and now_s - self._heard_s > SILENCE_S:
            self._lose(f"nothing heard for {SILENCE_S:g} s")
        if self._bus is None:
            raise LostError(f"{self} {self._fault or 'is closed'}")
        self._say(now_s)

    def send(self, frame: Frame) -> bool:
        """Send *frame*, or drop and count it; return whether it was sent."""
        if self._bus is None:
            return False
        try:
            self._bus.send(message_of(frame), timeout=0)
        except FAULTS:
            self.health.note(Ill.UNSENT, _now_s())
            return False
        return True

    def _lose(self, fault: str) -> None:
        """Close a bus that failed; it is opened anew when someone asks, but later."""
        self._close()
        for ear in self._ears:
            ear.forget()
        pause_s = BACKOFF_S[min(self._failures, len(BACKOFF_S) - 1)]
        self._failures += 1
        self._fault = fault
        now_s = _now_s()
        self._not_before_s = now_s + pause_s
        self._say(now_s)

    def _close(self) -> None:
        if self._again is not None:
            self._again.cancel()
            self._again = None
        if self._stop_watching is not None:
            self._stop_watching()
            self._stop_watching = None
        shut(self._bus)
        self._bus = None

    def _say(self, now_s: float) -> None:
        """Report what is wrong, once a change."""
        parts = (self._fault, self.health.reason(now_s))
        reason = ", ".join(part for part in parts if part)
        if self._tell is not None and reason != self._said:
            self._said = reason
            self._tell(PART, str(self), reason)

    def __str__(self) -> str:
        return f"{self.where.interface}:{self.where.channel}"


_LINKS: WeakValueDictionary[object, Link] = WeakValueDictionary()


def link_of(spec: SourceSpec) -> Link:
    """Return the link of *spec*, the same for every pack of every driver on it.

    A bus exists once in the machine, so its link exists once in the process; it goes
    with the last sources that hold it.

    Raises:
        ValueError: no bus, or two packs want one bus with different settings.
    """
    if not isinstance(spec.line, CanLine):
        raise ValueError(f"pack {spec.name} has no CAN bus")  # noqa: TRY004 a site's mistake
    place = spec.line.interface, spec.line.channel
    link = _LINKS.get(place)
    if link is None:
        link = _LINKS[place] = Link(spec.line)
    elif link.where != spec.line:
        raise ValueError(f"pack {spec.name} wants {link} with other settings")
    return link


def _stop_reading(loop: asyncio.AbstractEventLoop, descriptor: int) -> None:
    with suppress(ValueError, OSError):
        loop.remove_reader(descriptor)


def _cancel(task: asyncio.Task[None]) -> None:
    task.cancel()


def _now_s() -> float:
    return asyncio.get_running_loop().time()
