"""Claiming a source address, after SAE J1939-81 as RV-C uses it. Pure.

A node that transmits announces address and NAME, and waits a quarter of a second for
objections. Of two NAMEs that want one address the smaller wins; the loser takes another
one, or says that it cannot claim any and is silent. Lengths and times are from memory.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass, field

from tocsin_drivers.can import rvc_frames as rvc
from tocsin_drivers.can.frames import Frame

SETTLE_S = 0.25
"""A claim that nobody contests for so long is ours."""

ADDRESSES = range(0x80, 0xF8)
"""Addresses for nodes that choose their own: 128 to 247."""

NAME_BYTES = 8
_ARBITRARY = 1 << 63
"""This node can take another address."""

_NO_MANUFACTURER = 0x7FF << 21
"""All ones: no code was assigned."""


def name_of(text: str) -> int:
    """Return a NAME that is the same at every start, for a node called *text*."""
    return _ARBITRARY | _NO_MANUFACTURER | zlib.crc32(text.encode()) & 0x1F_FFFF


@dataclass(slots=True)
class Claim:
    """One node's address.

    Attributes:
        name: Its NAME; the smaller one wins.
    """

    name: int
    _address: int | None = None
    _since_s: float = 0.0
    _taken: set[int] = field(default_factory=set)

    def begin(self, now_s: float) -> tuple[Frame, ...]:
        """Claim an address anew, the last one first."""
        first = ADDRESSES[self.name % len(ADDRESSES)]
        self._taken.clear()
        return self._take(first if self._address is None else self._address, now_s)

    def address(self, now_s: float) -> int | None:
        """Return the address that may be used now."""
        if self._address is None or now_s - self._since_s < SETTLE_S:
            return None
        return self._address

    def is_for_us(self, to: int) -> bool:
        """Return whether a frame sent to address *to* is for this node too."""
        return to in {rvc.GLOBAL, self._address}

    def claimed(self, source: int, data: bytes, now_s: float) -> tuple[Frame, ...]:
        """Answer another node's claim of address *source*."""
        if len(data) < NAME_BYTES:
            return ()
        other = int.from_bytes(data[:NAME_BYTES], "little")
        if source != self._address:
            self._taken.add(source)
            return ()
        if other == self.name:
            return ()
        if self.name < other:
            return self.asked()
        self._taken.add(source)
        start = ADDRESSES.index(source) if source in ADDRESSES else 0
        for i in range(len(ADDRESSES)):
            address = ADDRESSES[(start + i) % len(ADDRESSES)]
            if address not in self._taken:
                return self._take(address, now_s)
        self._address = None
        return self.asked()

    def asked(self) -> tuple[Frame, ...]:
        """Answer a request for the claim; without an address say so."""
        source = rvc.NO_ADDRESS if self._address is None else self._address
        can_id = rvc.can_id_of(rvc.ADDRESS_CLAIMED, source, to=rvc.GLOBAL)
        return (Frame(can_id, self.name.to_bytes(NAME_BYTES, "little")),)

    def _take(self, address: int, now_s: float) -> tuple[Frame, ...]:
        self._address, self._since_s = address, now_s
        return self.asked()
