"""Everything that simulated devices put on one bus, and what can be wrong with it.

Error frames follow Linux (`include/uapi/linux/can/error.h`): classes in the identifier,
details in eight bytes.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import Enum, auto
from random import Random
from typing import TYPE_CHECKING

from tocsin_drivers.simbus.can_frame import MOST_BYTES, CanFrame

if TYPE_CHECKING:
    from collections.abc import Mapping

    from tocsin_drivers.simbus.can_node import Node

ERROR_CONTROLLER = 0x04
ERROR_NO_ACK = 0x20
ERROR_BUS_OFF = 0x40
ERROR_RESTARTED = 0x100
CONTROLLER_WARNING = 0x04 | 0x08
CONTROLLER_PASSIVE = 0x10 | 0x20
BABBLE_PER_MS = 3
"""About what 250 kbit/s can carry."""
MOST_BABBLE = 3_000
BABBLE_IDENTIFIER = 0x0000FF01
ERROR_EVERY_MS = 100
MOST_NOISE = 40


class CanFault(Enum):
    """What can be wrong with a bus, or with one device on it."""

    BUS_OFF = auto()  # of the bus: the controller reports it, then hears nothing
    ERROR_FRAMES = auto()  # of the bus: warnings, error passive, no acknowledge
    BABBLE = auto()  # of the bus: somebody repeats one urgent frame without pause
    NOISE = auto()  # of a serial adapter's line: bytes that mean nothing
    SILENCE = auto()  # of a device
    MISSING_PAGES = auto()  # of a device: every second page never comes
    DUPLICATE = auto()  # of a device: another one speaks for the same instance
    WRONG_LENGTH = auto()  # of a device: frames of another length


OF_A_BUS = frozenset(
    {CanFault.BUS_OFF, CanFault.ERROR_FRAMES, CanFault.BABBLE, CanFault.NOISE}
)
EVERY = ""
ODD_PAGES = frozenset(range(1, 256, 2))


@dataclass(frozen=True, slots=True)
class Noise:
    """Bytes on a serial adapter's line that are no frame."""

    data: bytes


class CanTraffic:
    """The devices of one bus, by name. The same seed brings the same faults."""

    def __init__(
        self,
        nodes: Mapping[str, Node],
        *,
        doubles: Mapping[str, Node] | None = None,
        seed: int = 1,
    ) -> None:
        self.nodes = dict(nodes)
        self._doubles = dict(doubles or {})
        self._rng = Random(seed)  # noqa: S311 - noise on a wire, nothing secret
        self._faults: set[tuple[CanFault, str]] = set()
        self._news: list[CanFrame] = []
        self._then_ms: int | None = None
        self._next_error_ms = 0

    def break_down(self, fault: CanFault, node: str = EVERY) -> None:
        """Let *fault* last until `repair`, of the bus or of a *node*, or of all.

        Raises:
            KeyError: there is no such node, or it has no double to be confused with.
        """
        if node != EVERY:
            known = self._doubles if fault is CanFault.DUPLICATE else self.nodes
            known[node]
        if fault is CanFault.BUS_OFF and not self.has(fault):
            self._news.append(_error(ERROR_BUS_OFF))
        self._faults.add((fault, EVERY if fault in OF_A_BUS else node))

    def repair(self) -> None:
        """End whatever was wrong; a bus that was off says that it has restarted."""
        if self.has(CanFault.BUS_OFF):
            self._news.append(_error(ERROR_RESTARTED))
        self._faults.clear()

    def has(self, fault: CanFault, node: str = EVERY) -> bool:
        """Return whether that is wrong now."""
        return bool({(fault, node), (fault, EVERY)} & self._faults)

    def due(self, now_ms: int) -> list[CanFrame | Noise]:
        """Return what is on the wire up to *now_ms*, in its order."""
        since_ms = 0 if self._then_ms is None else now_ms - self._then_ms
        self._then_ms = now_ms
        said: list[CanFrame | Noise] = [*self._news]
        self._news.clear()
        spoken = [f for name in self.nodes for f in self._of(name, now_ms)]
        if self.has(CanFault.BUS_OFF):
            return said
        said += self._babble(since_ms)
        said += spoken
        said += self._errors(now_ms)
        if self.has(CanFault.NOISE):
            said.insert(self._rng.randint(0, len(said)), self._noise())
        return said

    def answers(self, frame: CanFrame) -> list[CanFrame]:
        """Return what the devices say to *frame*."""
        if self.has(CanFault.BUS_OFF):
            return []
        return [
            answer
            for name, node in self.nodes.items()
            if not self.has(CanFault.SILENCE, name)
            for answer in node.answer(frame)
        ]

    def _of(self, name: str, now_ms: int) -> list[CanFrame]:
        is_gapped = self.has(CanFault.MISSING_PAGES, name)
        frames = self.nodes[name].due(now_ms, ODD_PAGES if is_gapped else frozenset())
        if name in self._doubles:
            second = self._doubles[name].due(now_ms)
            if self.has(CanFault.DUPLICATE, name):
                frames += second
        if self.has(CanFault.SILENCE, name):
            return []
        if self.has(CanFault.WRONG_LENGTH, name):
            return [self._cut(frame) for frame in frames]
        return frames

    def _cut(self, frame: CanFrame) -> CanFrame:
        return replace(frame, data=frame.data[: self._rng.randrange(MOST_BYTES)])

    def _babble(self, since_ms: int) -> list[CanFrame]:
        if not self.has(CanFault.BABBLE):
            return []
        frame = CanFrame(identifier=BABBLE_IDENTIFIER, data=bytes(MOST_BYTES))
        return [frame] * min(BABBLE_PER_MS * since_ms, MOST_BABBLE)

    def _errors(self, now_ms: int) -> list[CanFrame]:
        if not self.has(CanFault.ERROR_FRAMES) or now_ms < self._next_error_ms:
            return []
        self._next_error_ms = now_ms + ERROR_EVERY_MS
        detail = self._rng.choice((CONTROLLER_WARNING, CONTROLLER_PASSIVE, 0))
        if detail:
            return [_error(ERROR_CONTROLLER, detail)]
        return [_error(ERROR_NO_ACK)]

    def _noise(self) -> Noise:
        return Noise(self._rng.randbytes(self._rng.randint(1, MOST_NOISE)))


def _error(classes: int, controller: int = 0) -> CanFrame:
    return CanFrame(
        identifier=classes,
        data=bytes([0, controller, 0, 0, 0, 0, 0, 0]),
        is_extended=False,
        is_error=True,
    )
