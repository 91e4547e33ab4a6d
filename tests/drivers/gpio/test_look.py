"""A look at a chip: the kernel's answers, as `linux/gpio.h` lays them out.

Sizes, offsets and request numbers were compared with those that gcc gives for that
header (Linux 6.1): 68 and 256 bytes, flags at 72, 0x8044b401 and 0xc100b405.
"""

from __future__ import annotations

import errno
import struct
from pathlib import Path

import pytest

from tocsin_drivers.gpio.look import CHIP_INFO, LINE_INFO, chip_of, line_of, look


def chip(label: bytes, lines: int) -> bytes:
    return struct.pack("=32s32sI", b"gpiochip0", label, lines)


def line(flags: int, user: bytes = b"") -> bytes:
    return (
        b"GPIO17".ljust(32, b"\0")
        + user.ljust(32, b"\0")
        + struct.pack("=IIQ", 17, 0, flags)
        + bytes(176)
    )


def test_a_chip_and_its_lines_are_read_as_the_header_lays_them_out() -> None:
    assert len(chip(b"", 0)) == (CHIP_INFO >> 16) & 0x3FFF == 68
    assert len(line(0)) == (LINE_INFO >> 16) & 0x3FFF == 256
    assert chip_of(chip(b"pinctrl-bcm2711", 58)) == ("pinctrl-bcm2711", 58)
    held = line_of(line(0b1001, b"lg"))
    assert (held.is_held, held.is_output, held.user) == (True, True, "lg")
    free = line_of(line(0b100))
    assert (free.is_held, free.is_output, free.user) == (False, False, "")


def made(folder: Path, *names: str) -> Path:
    (folder / "dev").mkdir()
    for name in names:
        (folder / "dev" / name).touch()
    return folder


class Kernel:
    """Answers the two requests; never gives a line away."""

    def __init__(self, labels: list[bytes], lines: int = 28) -> None:
        self.labels, self.lines = labels, lines
        self.asked: list[tuple[int, int]] = []

    def __call__(self, _: int, request: int, asked: bytes) -> bytes:
        if request == CHIP_INFO:
            return chip(self.labels.pop(0), self.lines)
        assert request == LINE_INFO
        (number,) = struct.unpack_from("=I", asked, 64)
        self.asked.append((request, number))
        return line(1 if number == 17 else 0, b"lg" if number == 17 else b"")


def test_each_pin_is_asked_for_by_its_own_number(tmp_path: Path) -> None:
    kernel = Kernel([b"pinctrl-bcm2835"])
    seen = look(["GPIO17", "GPIO27"], made(tmp_path, "gpiochip0"), kernel)
    assert [number for _, number in kernel.asked] == [17, 27]
    assert seen.lines["GPIO17"].user == "lg"
    assert not seen.lines["GPIO27"].is_held
    assert (seen.label, seen.trouble) == ("pinctrl-bcm2835", "")


def test_a_pin_that_the_chip_has_not_is_missing(tmp_path: Path) -> None:
    kernel = Kernel([b"small"], lines=27)
    seen = look(["GPIO26", "GPIO27"], made(tmp_path, "gpiochip0"), kernel)
    assert set(seen.lines) == {"GPIO26"}


@pytest.mark.parametrize(
    ("labels", "taken"),
    [
        ([b"pinctrl-rp1", b"gpio-brcmstb"], "gpiochip4"),
        ([b"gpio-brcmstb", b"pinctrl-rp1"], "gpiochip0"),
        ([b"other", b"another"], "gpiochip0"),
    ],
)
def test_the_chip_of_the_header_is_taken(
    labels: list[bytes], taken: str, tmp_path: Path
) -> None:
    root = made(tmp_path, "gpiochip0", "gpiochip4")
    assert Path(look([], root, Kernel(labels)).chip).name == taken


def test_no_chip_and_a_chip_that_refuses_are_told_apart(tmp_path: Path) -> None:
    def refuse(*_: object) -> bytes:
        raise OSError(errno.EPERM, "Operation not permitted")

    assert look(["GPIO17"], tmp_path).chip == ""
    seen = look(["GPIO17"], made(tmp_path, "gpiochip0"), refuse)
    assert seen.trouble == "Operation not permitted"
    assert seen.lines == {}
