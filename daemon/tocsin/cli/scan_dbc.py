"""What was heard on a CAN bus, beside what a DBC file describes."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from tocsin.ports import CanLine

if TYPE_CHECKING:
    from pathlib import Path

    from tocsin.dbc import Dbc, DbcMessage
    from tocsin.sightings import Found, Identifier

DGN_MASK = 0x03FF_FF00
"""Extended identifiers of one message, whoever sends it, with whatever priority."""


def described(path: Path) -> Dbc:
    """Return what a DBC file describes.

    Raises:
        OSError: it cannot be read.
        ValueError: it is no DBC file; says which and why.
    """
    from tocsin.dbc import DbcError, read_dbc  # noqa: PLC0415 slow, for CAN only

    try:
        return read_dbc(path.read_bytes())
    except DbcError as exc:
        raise ValueError(f"{path} {exc}") from exc


def compared(found: Found, dbc: Dbc) -> Found:
    """Return *found* with the file's names, and with its messages that never came."""
    if not isinstance(found.line, CanLine):
        return found
    came: set[str] = set()
    identifiers = []
    for each in found.identifiers:
        message, words = _described(each, dbc)
        if message is not None:
            came.add(message.name)
        identifiers.append(replace(each, described=words))
    missing = tuple(name for name in dbc.messages if name not in came)
    return replace(found, identifiers=tuple(identifiers), missing=missing)


def _described(each: Identifier, dbc: Dbc) -> tuple[DbcMessage | None, str]:
    """Return the message that an identifier is, and its words; None and "" for none."""
    kin: DbcMessage | None = None
    for message in dbc.messages.values():
        if message.is_extended is not each.is_extended:
            continue
        if message.can_id == each.can_id:
            return message, _words(message, each)
        if each.is_extended and not (message.can_id ^ each.can_id) & DGN_MASK:
            kin = message
    if kin is None:
        return None, ""
    return kin, f"{_words(kin, each)}; from another sender: id_mask = 0x{DGN_MASK:08X}"


def _words(message: DbcMessage, each: Identifier) -> str:
    many = len(message.signals)
    words = f"{message.name}, {many} signal{'' if many == 1 else 's'}"
    needs = max((signal.needs for signal in message.signals.values()), default=0)
    if min(each.lengths) < needs:
        words += f"; {min(each.lengths)} bytes came, {needs} are described"
    return words
