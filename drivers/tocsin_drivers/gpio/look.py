"""Entry point: a look at a Raspberry Pi's lines that claims none and moves none.

The kernel tells who holds a line without giving it away: Linux,
``include/uapi/linux/gpio.h``, ``GPIO_GET_CHIPINFO_IOCTL`` and
``GPIO_V2_GET_LINEINFO_IOCTL``.
"""

from __future__ import annotations

import fcntl
import importlib.util
import os
import struct
from typing import TYPE_CHECKING, TypeAlias

from tocsin.looks import LineSeen, PinsSeen

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    Ask: TypeAlias = Callable[[int, int, bytes], bytes]

CHIP_INFO, LINE_INFO = 0x8044_B401, 0xC100_B405
"""The two requests; their numbers bear the sizes of what follows."""

CHIP = struct.Struct("=32s32sI")
LINE = struct.Struct("=32s32sIIQ160x16x")
HELD, OUTPUT = 1 << 0, 1 << 3

CHIPS = ("gpiochip4", "gpiochip0")
"""The Pi 5 has had its header on either; gpiozero prefers these in this order there,
and takes the last everywhere else."""

HEADER_CHIPS = ("pinctrl-bcm2", "pinctrl-rp1")
"""How the chips of the header call themselves, from memory."""


def look(pins: Sequence[str], root: Path, ask: Ask = fcntl.ioctl) -> PinsSeen:
    """Return what the kernel says of *pins*, such as ``GPIO17``."""
    library = _library()
    every = [root / "dev" / name for name in CHIPS]
    chips = [path for path in every if path.exists()]
    if not chips:
        return PinsSeen(library=library)
    seen = [_chip(path, pins, ask, library) for path in chips]
    headers = (each for each in seen if each.label.startswith(HEADER_CHIPS))
    return next(headers, seen[-1])


def _chip(path: Path, pins: Sequence[str], ask: Ask, library: str) -> PinsSeen:
    try:
        handle = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
        try:
            label, count = chip_of(ask(handle, CHIP_INFO, bytes(CHIP.size)))
            numbers = {pin: int(pin.removeprefix("GPIO")) for pin in pins}
            lines = {
                pin: line_of(ask(handle, LINE_INFO, asking(number)))
                for pin, number in numbers.items()
                if number < count
            }
        finally:
            os.close(handle)
    except OSError as exc:
        why = exc.strerror or str(exc)
        return PinsSeen(chip=str(path), trouble=why, library=library)
    return PinsSeen(chip=str(path), label=label, lines=lines, library=library)


def asking(number: int) -> bytes:
    """Return the request for line *number*: everything else in it is empty."""
    return LINE.pack(b"", b"", number, 0, 0)


def chip_of(answer: bytes) -> tuple[str, int]:
    """Return a chip's label, and how many lines it has."""
    _, label, lines = CHIP.unpack(answer)
    return _text(label), lines


def line_of(answer: bytes) -> LineSeen:
    """Return what the kernel says of a line."""
    _, user, _, _, flags = LINE.unpack(answer)
    return LineSeen(
        is_held=bool(flags & HELD), is_output=bool(flags & OUTPUT), user=_text(user)
    )


def _text(field: bytes) -> str:
    return field.split(b"\0", 1)[0].decode(errors="replace")


def _library() -> str:
    """Say what is missing of lgpio; it is not imported, as that makes a pipe."""
    if importlib.util.find_spec("lgpio") is None:
        return "lgpio is not installed, or the installed release is empty"
    if importlib.util.find_spec("_lgpio") is None:
        return "lgpio is installed without its compiled half, and cannot move a pin"
    return ""
