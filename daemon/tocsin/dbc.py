"""DBC files: the messages and signals they describe. The only user of cantools.

What the library does not do, and whoever uses this must (measured with 45.1): it
decodes "no data" patterns as numbers, does not enforce minimum and maximum, and its
look-up by identifier ignores masks. So values come raw as well as scaled, bounds are
told, and messages are found by name.
"""

from __future__ import annotations

import logging
import math
import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import cantools
from cantools.database import Database
from cantools.database.errors import DecodeError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from cantools.database import Message, Signal

BITS = 8
MOST_BYTES = 1_785
"""Of one message, sent in parts: SAE J1939-21, from memory."""

MOST_PAGES = 8_192
"""Values of multiplexers in one file: the library makes a decoder for each of them."""

HUGE = 10**12
"""Stands for a number of more digits than Python reads."""

LONGEST_SAID = 120
LARGEST = 1e15
"""Of a factor or offset; with larger ones not every value fits in a float."""

_PLACE = re.compile(r"Invalid syntax at line \d+, column \d+")
_SKIPPED = re.compile(r'//[^\n]*+\n?|"(?:\\"|[^"])*?"')
"""Comments and texts, as the library takes them for such."""
_DIGITS = r"[-+]?\d++(?:\.\d*+)?+(?:[eE][+-]?\d++)?+"
_WORD = r"[A-Za-z_][A-Za-z0-9_]*"
_LARGE = re.compile(
    rf"BO_\s*{_DIGITS}\s*{_WORD}\s*:\s*(?P<bytes>[-+]?\d+)"
    r"|:\s*(?P<start>[-+]?\d+)\s*\|\s*(?P<bits>[-+]?\d+)\s*@"
    r"|(?<![\w.])[-+]?[\d.]+[eE]\+?(?P<power>\d+)"
)
MOST_POWER = 308
"""Of ten in a number: the largest of IEEE 754 binary64 is 1.8e308."""
_PAGES = re.compile(rf"SG_MUL_VAL_\s*{_DIGITS}\s*{_WORD}\s+{_WORD}(?P<ranges>[^;]*)")
_RANGE = re.compile(rf"(?<![\w.+-])({_DIGITS})\s*({_DIGITS})")
"""Low and high; the library drops what the high one begins with, dash or digit."""


class DbcError(ValueError):
    """A file that is no DBC file, with the reason."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DbcSignal:
    """One signal.

    Attributes:
        unit: As the file has it; empty where it has none.
        low: Smallest value it may have, in its own unit; None where none is given.
        high: Largest.
        bits: How long it is.
        is_float: IEEE 754, not an integer.
        step: The DBC's factor: how far apart two neighbouring values are.
        start: First bit from the left of the frame's bytes, or from the right.
        is_big: Motorola: *start* is counted from the left, most significant bit first.
        needs: How many bytes a frame must have to hold it.
        pages: (multiplexer, its values) pairs that must all hold for a frame to carry
            it, the outermost first; empty: every frame does.
    """

    name: str
    unit: str
    low: float | None
    high: float | None
    bits: int
    is_float: bool
    step: float
    start: int
    is_big: bool
    needs: int
    pages: tuple[tuple[str, frozenset[int]], ...] = ()

    def unsigned(self, data: bytes) -> int:
        """Return the signal's bits in *data*, which must be long enough."""
        if self.is_big:
            shift = BITS * len(data) - self.start - self.bits
            return int.from_bytes(data, "big") >> shift & (1 << self.bits) - 1
        return int.from_bytes(data, "little") >> self.start & (1 << self.bits) - 1


@dataclass(frozen=True, slots=True, kw_only=True)
class DbcMessage:
    """One message and its signals by name."""

    name: str
    can_id: int
    is_extended: bool
    length: int
    is_fd: bool
    signals: Mapping[str, DbcSignal]
    _message: Message = field(repr=False, compare=False)

    def decode(self, data: bytes) -> dict[str, tuple[float, float]]:
        """Return (raw, scaled) of every signal that *data* carries whole.

        Nothing where a multiplexer has a value that the file does not know.
        """
        try:
            raws = self._message.decode(
                data, decode_choices=False, scaling=False, allow_truncated=True
            )
        except DecodeError:
            return {}
        decoded: dict[str, tuple[float, float]] = {}
        for name, raw in raws.items() if isinstance(raws, dict) else ():
            if not isinstance(raw, int | float):
                continue
            conversion = self._message.get_signal_by_name(name).conversion
            scaled = conversion.raw_to_scaled(raw, decode_choices=False)
            if isinstance(scaled, int | float):
                decoded[name] = raw, scaled
        return decoded

    def encode(self, values: Mapping[str, float]) -> bytes:
        """Return the frame that carries *values*, scaled, bounds not looked at."""
        return bytes(self._message.encode(dict(values), strict=False))


@dataclass(frozen=True, slots=True)
class Dbc:
    """A DBC file's messages by name."""

    messages: Mapping[str, DbcMessage]


def read_dbc(raw: bytes) -> Dbc:
    """Return what the bytes of a DBC file describe.

    Raises:
        DbcError: they are no DBC file, or one that contradicts itself.
    """
    # A DBC file is written in Windows-1252 by common practice; no byte is an error.
    text = raw.decode("cp1252", errors="replace")
    logging.getLogger("cantools").setLevel(logging.CRITICAL)
    _refuse_large(text)
    try:
        database = cantools.database.load_string(text, database_format="dbc")
        found = database.messages if isinstance(database, Database) else []
        messages = {each.name: _message(each) for each in found}
    except DbcError:
        raise
    except RecursionError:
        raise DbcError("nested too deeply") from None
    except Exception as exc:
        # The library promises no kind of error for a file that is not one.
        raise DbcError(f"is no DBC file: {_line(exc)}") from exc
    if not messages:
        raise DbcError("describes no messages")
    return Dbc(messages)


def _refuse_large(text: str) -> None:
    """Refuse what would keep the library busy for minutes, or take all memory.

    Raises:
        DbcError: a message, a signal or a multiplexer that no bus has.
    """
    bare = _SKIPPED.sub(lambda found: "\n" * found[0].count("\n") or " ", text)
    for found in _LARGE.finditer(bare):
        size = {name: _number(digits) for name, digits in found.groupdict("0").items()}
        left = BITS * MOST_BYTES - size["start"] - size["bits"]
        if not 0 <= size["bytes"] <= MOST_BYTES:
            what = f"a message of more than {MOST_BYTES} bytes"
        elif min(size["start"], size["bits"], left) < 0:
            what = "a signal that fits in no message"
        elif size["power"] > MOST_POWER:
            what = "a number that is too large"
        else:
            continue
        line = bare.count("\n", 0, found.start()) + 1
        raise DbcError(f"is no DBC file: line {line}: {what}")
    pages = 0
    for row in _PAGES.finditer(bare):
        for low, high in _RANGE.findall(row["ranges"]):
            pages += max(0, _number(high[1:]) - _number(low))
        if pages > MOST_PAGES:
            line = bare.count("\n", 0, row.start()) + 1
            what = f"more than {MOST_PAGES} multiplexer values"
            raise DbcError(f"is no DBC file: line {line}: {what}")


def _number(digits: str) -> int:
    """Return the number; what is none is refused elsewhere, and too long is large."""
    try:
        return int(digits or "0")
    except ValueError:
        return HUGE if digits.lstrip("+-").isdigit() else 0


def _line(exc: Exception) -> str:
    """Return in one line what the library says of a file."""
    own = getattr(exc, "e_dbc", None) or exc
    said = str(own).strip().split("\n")[0]
    if place := _PLACE.match(said):
        return place[0]  # behind it stands the whole line, however long
    said = said[:LONGEST_SAID]
    if isinstance(own, KeyError):
        return f"it speaks of {said}, which it does not describe"
    if said.startswith(("invalid literal", "could not convert")):
        return f"{said.rpartition(': ')[2]} is no number that fits there"
    return said or type(own).__name__


def _message(message: Message) -> DbcMessage:
    by_name = {signal.name: signal for signal in message.signals}
    return DbcMessage(
        name=message.name,
        can_id=message.frame_id,
        is_extended=message.is_extended_frame,
        length=message.length,
        is_fd=message.is_fd,
        signals={name: _signal(each, by_name) for name, each in by_name.items()},
        _message=message,
    )


def _signal(signal: Signal, by_name: Mapping[str, Signal]) -> DbcSignal:
    bounds = (signal.minimum or 0, signal.maximum or 0)
    is_sound = all(map(math.isfinite, bounds))
    if not is_sound or not max(abs(signal.scale), abs(signal.offset)) < LARGEST:
        raise DbcError(
            "is no DBC file: factor, offset or bounds of"
            f" {signal.name[:LONGEST_SAID]} are no numbers"
        )
    is_big = signal.byte_order == "big_endian"
    start = signal.start
    if is_big:  # the file counts bits from the right within each byte
        start = BITS * (start // BITS) + BITS - 1 - start % BITS
    pages: list[tuple[str, frozenset[int]]] = []
    inner: Signal | None = signal
    while inner is not None and inner.multiplexer_signal is not None:
        if len(pages) > len(by_name):
            name = signal.name[:LONGEST_SAID]
            raise DbcError(f"is no DBC file: {name} is multiplexed by itself")
        pages.insert(
            0, (inner.multiplexer_signal, frozenset(inner.multiplexer_ids or ()))
        )
        inner = by_name.get(inner.multiplexer_signal)
    return DbcSignal(
        name=signal.name,
        unit=signal.unit or "",
        low=_bound(signal.minimum),
        high=_bound(signal.maximum),
        bits=signal.length,
        is_float=signal.is_float,
        step=abs(float(signal.scale)),
        start=start,
        is_big=is_big,
        needs=(start + signal.length - 1) // BITS + 1,
        pages=tuple(pages),
    )


def _bound(value: float | None) -> float | None:
    return None if value is None else float(value)
