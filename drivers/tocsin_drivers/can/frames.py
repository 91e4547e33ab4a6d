"""Frames, and what a listener wants of them. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple, Protocol

from tocsin.ports import DriverError

if TYPE_CHECKING:
    from collections.abc import Hashable, Mapping

    from tocsin.core.model import Sample

MOST_BYTES = 8
"""Of a classic CAN frame: ISO 11898-1."""

EXTENDED = 0x1FFF_FFFF
STANDARD = 0x7FF


class Frame(NamedTuple):
    """One frame as it was on the bus."""

    can_id: int
    data: bytes
    is_extended: bool = True
    is_error: bool = False
    is_remote: bool = False
    is_fd: bool = False

    @property
    def is_data(self) -> bool:
        """Return False for error and remote frames: their bytes are no data."""
        return not (self.is_error or self.is_remote)


class Heard(NamedTuple):
    """A frame and when it came, by the running loop's time."""

    frame: Frame
    at_s: float


class Filter(NamedTuple):
    """Frames whose identifier equals *can_id* in the bits of *mask*."""

    can_id: int
    mask: int
    is_extended: bool


class AbsentError(DriverError):
    """A value that has not been heard, or not lately; the text names it."""


class Wants(Protocol):
    """Which frames are wanted, and which of them stand for the same thing."""

    @property
    def filters(self) -> tuple[Filter, ...]:
        """Return what must pass."""
        ...

    def identity(self, frame: Frame) -> Hashable | None:
        """Return what *frame* replaces the older one of; None: it is not wanted."""
        ...


class Listener(Wants, Protocol):
    """One pack's ear: what the newest frames come to."""

    wait_s: float
    """How long a whole sample may take to come together."""

    note: str
    """What is not right with the newest sample although it is whole; mostly empty."""

    def sample(self, heard: Mapping[Hashable, Heard], now_s: float) -> Sample:
        """Return the whole sample that the newest frames make.

        *heard* has them by identity, as `identity` of this listener gave it.

        Raises:
            DriverError: names the value that is missing, too old or impossible.
        """
        ...
