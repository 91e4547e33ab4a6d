"""Modbus frames as a device sees them: parse a request, build an answer. Pure.

Modbus application protocol V1.1b3 and Modbus over serial line V1.02 (modbus.org).
The simulated bus has its own small responder because its faults live below what a
server library lets one touch: a cut-off reply, a closed line, silence.
"""

from __future__ import annotations

from dataclasses import dataclass

READS = frozenset({3, 4})
ILLEGAL_FUNCTION = 1
ILLEGAL_ADDRESS = 2
ILLEGAL_VALUE = 3
MOST_REGISTERS = 125
MBAP = 7
"""Bytes of the header that Modbus TCP puts before function and data."""
MBAP_LENGTH_AT = 4
FIXED_REQUEST = 8
"""Bytes of a serial request with function 1 to 6: unit, function, two words, CRC."""
COUNTED = frozenset({15, 16})
COUNT_AT = 6
_POLYNOMIAL = 0xA001


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """A question to one unit.

    Attributes:
        data: All that follows the function code.
        transaction: Of Modbus TCP; 0 on a serial line.
    """

    unit: int
    function: int
    data: bytes
    transaction: int = 0

    @property
    def span(self) -> tuple[int, int] | None:
        """Return first register and count of a read, None if it is malformed."""
        if len(self.data) != 4:  # noqa: PLR2004 - two words
            return None
        start = int.from_bytes(self.data[:2], "big")
        return start, int.from_bytes(self.data[2:], "big")


def crc16(data: bytes) -> int:
    """Return the CRC of a serial frame; the line carries its low byte first."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ (_POLYNOMIAL if crc & 1 else 0)
    return crc


def take_tcp(buffer: bytearray) -> Request | None:
    """Take one whole request off the front of *buffer*, or return None for more.

    Raises:
        ValueError: what stands there is not Modbus TCP; the line is of no more use.
    """
    if len(buffer) < MBAP:
        return None
    protocol = int.from_bytes(buffer[2:MBAP_LENGTH_AT], "big")
    length = int.from_bytes(buffer[MBAP_LENGTH_AT : MBAP - 1], "big")
    if protocol or not 2 <= length <= 254:  # noqa: PLR2004 - unit, function, 253
        raise ValueError(f"not Modbus TCP: protocol {protocol}, length {length}")
    whole = MBAP - 1 + length
    if len(buffer) < whole:
        return None
    frame = bytes(buffer[:whole])
    del buffer[:whole]
    return Request(
        transaction=int.from_bytes(frame[:2], "big"),
        unit=frame[MBAP - 1],
        function=frame[MBAP],
        data=frame[MBAP + 1 :],
    )


def take_rtu(buffer: bytearray) -> Request | None:
    """Take one whole request with a right CRC off *buffer*, skipping noise."""
    while len(buffer) >= FIXED_REQUEST:
        length = FIXED_REQUEST
        if buffer[1] in COUNTED:
            length += 1 + buffer[COUNT_AT]
        if len(buffer) < length:
            return None
        frame = bytes(buffer[:length])
        if int.from_bytes(frame[-2:], "little") == crc16(frame[:-2]):
            del buffer[:length]
            return Request(unit=frame[0], function=frame[1], data=frame[2:-2])
        del buffer[0]
    return None


def refusal(request: Request, code: int) -> bytes:
    """Return function and data of an exception answer."""
    return bytes([request.function | 0x80, code])


def registers_answer(request: Request, values: list[int]) -> bytes:
    """Return function and data of the answer to a read."""
    body = b"".join(value.to_bytes(2, "big") for value in values)
    return bytes([request.function, len(body)]) + body


def tcp_frame(request: Request, answer: bytes) -> bytes:
    """Return *answer* as a Modbus TCP frame to *request*."""
    head = request.transaction.to_bytes(2, "big") + b"\0\0"
    return head + (len(answer) + 1).to_bytes(2, "big") + bytes([request.unit]) + answer


def rtu_frame(request: Request, answer: bytes) -> bytes:
    """Return *answer* as a serial frame."""
    frame = bytes([request.unit]) + answer
    return frame + crc16(frame).to_bytes(2, "little")
