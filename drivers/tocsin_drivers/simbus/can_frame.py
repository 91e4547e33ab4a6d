"""A CAN frame as the simulated bus knows it. Pure, and nobody's library."""

from __future__ import annotations

from dataclasses import dataclass

STANDARD_BITS = 11
EXTENDED_BITS = 29
MOST_BYTES = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class CanFrame:
    """A classic data frame, a request for one, or an error frame.

    Attributes:
        identifier: 29 bits where *is_extended*, else 11. Of an error frame the error
            classes, as `tocsin_drivers.simbus.can_faults` names them.
        data: Up to eight bytes; of a remote frame, as many as it asks for.
        is_remote: It asks for the frame of this identifier.
        is_error: Nobody sent it: a controller reports trouble.
    """

    identifier: int
    data: bytes = b""
    is_extended: bool = True
    is_remote: bool = False
    is_error: bool = False

    def __post_init__(self) -> None:
        bits = EXTENDED_BITS if self.is_extended else STANDARD_BITS
        if self.identifier >> bits or self.identifier < 0:
            raise ValueError(f"{self.identifier:#x} has more than {bits} bits")
        if len(self.data) > MOST_BYTES:
            raise ValueError(f"{len(self.data)} bytes; a frame has at most 8")
