"""A look at pins that moves none: what is asked of drivers, and what they saw."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path


@dataclass(frozen=True, slots=True, kw_only=True)
class LineSeen:
    """One line of a chip, as the kernel tells of it.

    Attributes:
        user: What whoever holds it calls itself; empty for a line nobody holds.
    """

    is_held: bool
    is_output: bool
    user: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PinsSeen:
    """The chip that a pin driver would take, and the lines that were asked for.

    Attributes:
        chip: Its device file; empty where there is none.
        label: What it calls itself.
        lines: By pin; a pin that the chip does not have is missing.
        trouble: Why the chip or its lines could not be asked; empty if they were.
        library: What is wrong with the library that would move them; empty if nothing.
    """

    chip: str = ""
    label: str = ""
    lines: Mapping[str, LineSeen] = field(default_factory=dict)
    trouble: str = ""
    library: str = ""


class LookAtPins(Protocol):
    """What an entry point of the group ``tocsin.pin_looks`` names."""

    def __call__(self, pins: Sequence[str], root: Path) -> PinsSeen:
        """Return what is seen of *pins* below *root*; claims nothing, moves nothing."""
        ...
