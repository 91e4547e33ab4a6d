"""Payloads against the Homie convention, version 5.0.0, "Payload"."""

from __future__ import annotations

import json
import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from homie5 import Controller
from tocsin.mqtt.payloads import boolean, document, number, string

INTEGER = re.compile(rb"-?[0-9]+")
FLOAT = re.compile(rb"-?[0-9]+(\.[0-9]+)?")


@given(
    value=st.floats(allow_nan=False, allow_infinity=False), decimals=st.integers(0, 6)
)
def test_any_number_formats_legally(value: float, decimals: int) -> None:
    """Digits, a minus, one point; no plus, no exponent, and read back the same."""
    made = number(value, decimals)
    assert (FLOAT if decimals else INTEGER).fullmatch(made)
    most = 1e15 if decimals else 2.0**63
    clipped = max(-most, min(most, value))
    near = 0.5 * 10**-decimals
    assert float(made) == pytest.approx(clipped, rel=1e-15, abs=near * 1.001)


@given(value=st.integers())
def test_any_integer_is_one_of_64_bits(value: int) -> None:
    made = number(value, 0)
    assert INTEGER.fullmatch(made)
    assert -(2**63) <= int(made) < 2**63


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_what_is_no_number_is_no_payload(value: float) -> None:
    with pytest.raises(ValueError, match="no payload"):
        number(value, 2)


@pytest.mark.parametrize(
    ("value", "decimals", "made"),
    [
        (1e16, 1, b"1000000000000000.0"),  # repr says 1e+16, which is illegal
        (1e-7, 3, b"0.000"),
        (-0.0001, 3, b"0.000"),
        (-0.5, 0, b"0"),
        (3.3005, 3, b"3.300"),
        (-12.25, 1, b"-12.2"),
    ],
)
def test_numbers_by_hand(value: float, decimals: int, made: bytes) -> None:
    assert number(value, decimals) == made


def test_booleans_are_exact() -> None:
    assert (boolean(value=True), boolean(value=False)) == (b"true", b"false")


@given(text=st.text())
def test_any_text_is_utf_8_and_never_a_removal(text: str) -> None:
    """An empty payload would remove the retained topic; empty text is one zero byte."""
    made = string(text)
    assert made
    assert made.decode() == (text or "\0") or "\\ud" in made.decode()


@given(told=st.dictionaries(st.text(), st.text() | st.integers() | st.none()))
def test_any_object_is_json(told: dict[str, object]) -> None:
    assert json.loads(document(told)) == told


SAID = {"datatype": "float", "format": "0:100"}


@pytest.mark.parametrize(
    ("payload", "of", "is_legal"),
    [
        (b"3.301", SAID, True),
        (b"100", SAID, True),
        (b"100.1", SAID, False),
        (b"-0.1", SAID, False),
        (b"+1", SAID, False),
        (b"nan", SAID, False),
        (b"1e+16", {"datatype": "float"}, False),
        (b"1e16", {"datatype": "float"}, True),
        (b"1.0", {"datatype": "integer"}, False),
        (b"9223372036854775808", {"datatype": "integer"}, False),
        (b"9223372036854775807", {"datatype": "integer"}, True),
        (b"True", {"datatype": "boolean"}, False),
        (b"on", {"datatype": "boolean", "format": "off,on"}, False),
        (b"good", {"datatype": "enum", "format": "good,old"}, True),
        (b"Good", {"datatype": "enum", "format": "good,old"}, False),
        (b"2026-01-16T18:00:00Z", {"datatype": "datetime"}, True),
        (b"yesterday", {"datatype": "datetime"}, False),
        (b"3", {"datatype": "json"}, False),
        (b"[3]", {"datatype": "json"}, True),
        (b"\xff", {"datatype": "string"}, False),
    ],
)
def test_the_judge_knows_legal_from_illegal(
    payload: bytes, of: dict[str, str], *, is_legal: bool
) -> None:
    judge = Controller()
    judge._payload("t", of, payload)
    assert (judge.faults == []) == is_legal
