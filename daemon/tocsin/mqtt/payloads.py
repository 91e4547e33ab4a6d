"""Payloads of Homie 5, by datatype. Pure.

The convention (v5.0, "Payload"): integers are digits and a minus; floats add one point
and an exponent, and have no plus sign, no NaN and no infinity; booleans are exactly
``true`` or ``false``; an empty string is one byte 0x00, because an empty payload
deletes a retained topic.
"""

from __future__ import annotations

import json
import math
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

INTEGER_MAX = 2**63 - 1
FLOAT_MAX = 1e15
"""Larger floats are clipped: nothing here measures that much."""


def number(value: float, decimals: int) -> bytes:
    """Return a float or, with no *decimals*, an integer.

    Raises:
        ValueError: *value* is not a finite number: the topic must not be written.
    """
    if isinstance(value, float) and not math.isfinite(value):
        raise ValueError(f"{value} is no payload")
    if decimals == 0:
        return str(max(-INTEGER_MAX, min(INTEGER_MAX, round(value)))).encode()
    clipped = max(-FLOAT_MAX, min(FLOAT_MAX, float(value)))
    text = f"{clipped:.{decimals}f}"
    return text.removeprefix("-").encode() if float(text) == 0 else text.encode()


def boolean(*, value: bool) -> bytes:
    """Return a boolean."""
    return b"true" if value else b"false"


def string(value: str) -> bytes:
    """Return a text; lone surrogates are escaped, for UTF-8 has none."""
    return value.encode("utf-8", "backslashreplace") or b"\0"


def document(value: Mapping[str, Any] | Sequence[Any]) -> bytes:
    """Return a JSON object or array."""
    return json.dumps(value, separators=(",", ":"), ensure_ascii=True).encode()
