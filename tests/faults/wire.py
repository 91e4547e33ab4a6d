"""The lines and what answers on them: Modbus frames, whole and broken.

Frames are built here from the published layout (Modbus Application Protocol V1.1b3,
section 6.3; Modbus Messaging on TCP/IP V1.0b, section 3.1.3; Modbus over Serial Line
V1.02, section 2.5.1 and its CRC), with nothing of the drivers or their library.
"""

from __future__ import annotations

import asyncio
import struct
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import random
    from collections.abc import Callable

    from tests.faults.loop import Time
    from tests.faults.tally import Tally
    from tests.faults.world import Shown

ANSWER_S = 0.03
ABSENT = 0xFFFF
PROOF_AT, PROOF = 0x0F00, 0x4652
DATA_AT = 0x1000
"""Behind what shows that the right device answers: reading that is no sample."""
HEAD = struct.Struct(">HHHB")


def crc16(data: bytes) -> int:
    """Return the CRC of Modbus over Serial Line V1.02, section 6.2.2."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ 0xA001 if crc & 1 else crc >> 1
    return crc


def registers_of(shown: Shown) -> list[int]:
    """Return the registers from `DATA_AT` on; `tests.faults.sites` has the map."""
    current = shown.current_ma & 0xFFFF_FFFF
    flags = shown.charge_refused << 8 | shown.load_refused << 9
    return [
        *shown.cells_mv,
        *(temp & 0xFFFF for temp in shown.temps_dc),
        current >> 16,
        current & 0xFFFF,
        shown.voltage_cv,
        shown.soc_permille,
        flags,
        shown.beat,
    ]


@dataclass
class Device:
    """One unit on a line.

    Attributes:
        look: Returns its registers of now, and what they mean; None of a shunt.
        on_told: Called with what a whole, undamaged answer said, once delivered.
        faults: What is wrong with it now, and until when.
        once: What will be wrong with its next answer only.
    """

    name: str
    look: Callable[[], tuple[list[int], Shown | None]]
    on_told: Callable[[str, Shown | None, bool], None]
    faults: dict[str, float] = field(default_factory=dict)
    once: list[str] = field(default_factory=list)
    last: tuple[list[int], Shown | None] | None = None

    def has(self, fault: str, now_s: float) -> bool:
        """Return whether *fault* lasts."""
        return self.faults.get(fault, 0.0) > now_s


class Line:
    """A gateway with units behind it, spoken to over TCP or in serial frames."""

    def __init__(
        self,
        time: Time,
        *,
        is_rtu: bool,
        chance: random.Random,
        tally: Tally,
        timeout_s: float,
    ) -> None:
        self.units: dict[int, Device] = {}
        self._time = time
        self._is_rtu = is_rtu
        self._chance = chance
        self._tally = tally
        self._timeout_s = timeout_s

    def open(self, protocol: Any) -> Transport:
        """Accept a connection, unless the whole line is silent."""
        if all(
            each.has("bus silence", self._time.now_s) for each in self.units.values()
        ):
            self._tally.faults["bus silence"] += 1
            raise ConnectionRefusedError("no route to host")
        return Transport(self, protocol)

    def hear(self, transport: Transport, data: bytes) -> None:
        """Take a request and plan the answer."""
        if self._is_rtu:
            mark, unit, pdu = 0, data[0], data[1:-2]
        else:
            mark, _, _, unit = HEAD.unpack(data[:7])
            pdu = data[7:]
        device = self.units.get(unit)
        if device is None:
            return
        function, address, count = struct.unpack(">BHH", pdu)
        loop = asyncio.get_running_loop()
        if device.has("bus silence", self._time.now_s):
            self._tally.faults["bus silence"] += 1
            return
        late_s = ANSWER_S
        if "late frame" in device.once:
            device.once.remove("late frame")
            self._tally.faults["late frame"] += 1
            late_s = self._timeout_s + self._chance.uniform(0.01, 0.3)
        ask = (mark, unit, function, address, count)
        loop.call_later(late_s, self._answer, transport, device, ask)

    def _answer(
        self, transport: Transport, device: Device, ask: tuple[int, ...]
    ) -> None:
        mark, unit, function, address, count = ask
        is_proof = address == PROOF_AT
        registers, shown, is_good = self._said(device, is_proof=is_proof)
        begin = address - DATA_AT
        wanted = registers if is_proof else registers[begin : begin + count]
        body = struct.pack(f">BB{len(wanted)}H", function, 2 * len(wanted), *wanted)
        if len(wanted) != count:
            body = bytes([function | 0x80, 2])
        frame = self._framed(mark, unit, body)
        if device.once and device.once[0] in {"garbage bytes", "busy device"}:
            what = device.once.pop(0)
            self._tally.faults[what] += 1
            busy = self._framed(mark, unit, bytes([function | 0x80, 6]))
            transport.deliver(busy if what == "busy device" else self._garbled(frame))
            return
        is_last = not is_proof and begin + count >= len(registers)
        if transport.deliver(frame) and is_last:
            device.on_told(device.name, shown, is_good)
        if "duplicated frame" in device.once:
            device.once.remove("duplicated frame")
            self._tally.faults["duplicated frame"] += 1
            asyncio.get_running_loop().call_later(0.002, transport.deliver, frame)

    def _said(
        self, device: Device, *, is_proof: bool
    ) -> tuple[list[int], Shown | None, bool]:
        if is_proof:
            return [PROOF], None, True
        now_s = self._time.now_s
        if device.has("stuck value", now_s) and device.last is not None:
            self._tally.faults["stuck value"] += 1
            registers, shown = device.last
            return list(registers), shown, True
        registers, shown = device.last = device.look()
        if shown is None or not device.has("impossible value", now_s):
            return list(registers), shown, True
        self._tally.faults["impossible value"] += 1
        broken = list(registers)
        cells = len(shown.cells_mv)
        kind = self._chance.randrange(4)
        if kind == 0:
            broken[self._chance.randrange(cells)] = ABSENT
        elif kind == 1:
            broken[self._chance.randrange(cells)] = self._chance.choice([0, 9, 5_800])
        elif kind == 2:
            broken[cells] = self._chance.choice([0x7FFF, 0x8000, 2_000])
        else:
            broken[-3] = 1_700
        return broken, shown, False

    def _framed(self, mark: int, unit: int, body: bytes) -> bytes:
        if self._is_rtu:
            whole = bytes([unit]) + body
            return whole + crc16(whole).to_bytes(2, "little")
        return HEAD.pack(mark, 0, len(body) + 1, unit) + body

    def _garbled(self, frame: bytes) -> bytes:
        """Return rubbish: noise, a frame cut short, or one with a bit turned."""
        kind = self._chance.randrange(3)
        if kind == 0:
            return self._chance.randbytes(self._chance.randrange(1, 60))
        if kind == 1 or not self._is_rtu:
            return frame[: self._chance.randrange(1, len(frame) - 1)]
        turned = bytearray(frame)
        turned[self._chance.randrange(len(frame))] ^= 1 << self._chance.randrange(8)
        return bytes(turned)


class Transport(asyncio.Transport):
    """One connection; what comes late on a closed one is lost."""

    def __init__(self, line: Line, protocol: Any) -> None:
        super().__init__()
        self._line = line
        self._protocol = protocol
        self._is_closed = False

    def write(self, data: bytes | bytearray | memoryview) -> None:
        """Take a request of the daemon."""
        self._line.hear(self, bytes(data))

    def deliver(self, frame: bytes) -> bool:
        """Bring bytes to the daemon; False if nobody listens any more."""
        if self._is_closed:
            return False
        self._protocol.data_received(frame)
        return True

    def close(self) -> None:
        """Close it."""
        self._is_closed = True

    def abort(self) -> None:
        """Close it."""
        self._is_closed = True

    def is_closing(self) -> bool:
        """Return whether it was closed."""
        return self._is_closed
