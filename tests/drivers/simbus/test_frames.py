"""Modbus frames against the protocol's own worked examples."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tocsin_drivers.simbus import frames
from tocsin_drivers.simbus.frames import Request


def test_the_checksum_has_its_published_check_value() -> None:
    """CRC-16/MODBUS of "123456789" is 0x4B37 (catalogue of parametrised CRCs)."""
    assert frames.crc16(b"123456789") == 0x4B37


def test_a_read_of_three_registers_is_answered_as_in_the_specification() -> None:
    """Modbus application protocol V1.1b3, 6.3: registers 108 to 110."""
    buffer = bytearray.fromhex("0001 0000 0006 01 03 006B 0003")
    request = frames.take_tcp(buffer)
    assert request == Request(
        transaction=1, unit=1, function=3, data=bytes.fromhex("006B0003")
    )
    assert request.span == (107, 3)
    answer = frames.registers_answer(request, [0x022B, 0x0000, 0x0064])
    assert answer.hex() == "0306022b00000064"
    assert frames.tcp_frame(request, answer).hex() == "000100000009010306022b00000064"


@given(st.integers(0, 40))
def test_a_request_that_comes_in_pieces_waits_for_the_rest(cut: int) -> None:
    whole = bytes.fromhex("0001 0000 0006 01 03 006B 0003")
    buffer = bytearray(whole[:cut])
    first = frames.take_tcp(buffer)
    assert (first is not None) == (cut >= len(whole))
    buffer += whole[cut:]
    assert first or frames.take_tcp(buffer)


@pytest.mark.parametrize("head", ["0001 0001 0006 01 03", "0001 0000 0001 01 03"])
def test_what_is_not_modbus_tcp_is_an_error(head: str) -> None:
    with pytest.raises(ValueError, match="not Modbus TCP"):
        frames.take_tcp(bytearray.fromhex(head))


@given(st.binary(max_size=5), st.integers(1, 247), st.integers(0, 0xFFFF))
def test_noise_before_a_serial_request_is_skipped(
    noise: bytes, unit: int, start: int
) -> None:
    body = bytes([unit, 3]) + start.to_bytes(2, "big") + b"\0\1"
    frame = body + frames.crc16(body).to_bytes(2, "little")
    noise = noise.replace(b"\x0f", b"").replace(b"\x10", b"")  # would announce a count
    buffer = bytearray(noise + frame + frame)
    found = []
    while (request := frames.take_rtu(buffer)) is not None:
        found.append(request)
    wanted = Request(unit=unit, function=3, data=frame[2:-2])
    assert wanted in found


def test_a_serial_frame_with_a_wrong_checksum_is_no_request() -> None:
    assert frames.take_rtu(bytearray.fromhex("01 03 006B 0003 0000")) is None


def test_an_exception_sets_the_top_bit_of_the_function() -> None:
    request = Request(unit=1, function=3, data=b"")
    assert frames.refusal(request, 2) == b"\x83\x02"
