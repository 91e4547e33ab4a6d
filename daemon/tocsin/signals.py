"""The words of a declarative map of CAN signals. Pure data, no decisions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tocsin.core.model import Flag
    from tocsin.registers import PointRole


@dataclass(frozen=True, slots=True, kw_only=True)
class MappedSignal:
    """One signal of a DBC file, and what it is.

    Attributes:
        message: Its message's name in the DBC file.
        signal: Its own.
        role: What it is; never ``constant``.
        index: Which cell or temperature, from 1.
        scale: Value in the role's unit = the DBC's value * scale + offset.
        offset: In the role's unit.
        invert: The number is negated last; of flags, a cleared bit sets the flag.
        absent: Inclusive ranges of raw values that mean "no data".
        low: Smallest believable value in the role's unit; None no bound of our own.
        high: Largest.
        max_age_ms: An older value is no value.
        flag: What a value other than 0 says, of a signal that is one flag.
        bits: Which bit sets which flag, of a signal that is several.
    """

    message: str
    signal: str
    role: PointRole
    index: int = 1
    scale: float = 1.0
    offset: float = 0.0
    invert: bool = False
    absent: tuple[tuple[int, int], ...] = ()
    low: float | None = None
    high: float | None = None
    max_age_ms: int = 5_000
    flag: Flag | None = None
    bits: tuple[tuple[int, Flag], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalMap:
    """A pack's signals.

    Attributes:
        signals: What to listen for.
        id_mask: Of an extended identifier only these bits count, as where the lowest
            eight are an address that may change; None all of them.
    """

    signals: tuple[MappedSignal, ...]
    id_mask: int | None = None

    def key(self, can_id: int, *, is_extended: bool) -> tuple[bool, int]:
        """Return what two identifiers share when they mean the same message."""
        if is_extended and self.id_mask is not None:
            return True, can_id & self.id_mask
        return is_extended, can_id
