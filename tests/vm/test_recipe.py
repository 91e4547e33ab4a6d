"""What the machine is made of."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest
from tests.vm import recipe
from tests.vm.build import Image
from tests.vm.machine import arguments


def test_the_kernel_is_the_one_that_the_distribution_names() -> None:
    said = "linux-image-amd64\n  Depends: linux-image-6.1.0-56-amd64\n"
    assert recipe.kernel_release(said) == "6.1.0-56-amd64"


def test_a_distribution_that_names_no_kernel_is_told_apart() -> None:
    with pytest.raises(recipe.RecipeError, match="amd64"):
        recipe.kernel_release("linux-image-amd64\n  Depends: linux-image-6.1-arm64\n")


def test_the_one_symbol_that_modules_may_not_use_is_changed() -> None:
    before = "\t\thandle_simple_irq(irq_to_desc(irqnum));\n"
    assert recipe.exported_only(before) == "\t\tgeneric_handle_irq(irqnum);\n"
    with pytest.raises(recipe.RecipeError, match="no longer"):
        recipe.exported_only("nothing of the kind")


def test_missing_programs_are_named_by_their_packages_once() -> None:
    found = set(recipe.HOST_PROGRAMS) - {"mke2fs", "debugfs", "qemu-img"}
    assert recipe.missing_programs(found) == ["e2fsprogs", "qemu-utils"]
    assert recipe.missing_programs(recipe.HOST_PROGRAMS) == []


def test_modules_are_loaded_in_order_and_once() -> None:
    said = "insmod /r/crc16.ko\ninsmod /r/jbd2.ko\nbuiltin x\ninsmod /r/crc16.ko\n"
    names = [name for _, name in recipe.initrd_names(said.replace("builtin x\n", ""))]
    assert names == ["00-crc16.ko", "01-jbd2.ko"]


def test_a_changed_file_or_setting_makes_another_image() -> None:
    files = {"a": b"1", "b": b"2"}
    same = recipe.key(dict(reversed(files.items())), "6.1")
    assert recipe.key(files, "6.1") == same
    others = [
        recipe.key(files, "6.2"),
        recipe.key({"a": b"1", "b": b"3"}, "6.1"),
        recipe.key({"a": b"12", "b": b""}, "6.1"),
        recipe.key({"a": b"1"}, "6.1"),
    ]
    assert len({same, *others}) == 5


def test_the_machine_has_no_network_and_cannot_take_a_missing_accelerator() -> None:
    image = Image(Path("/k"), Path("/i"), Path("/d"), "")
    words = arguments(image, Path("/f"), append="quiet", more=["-device", "x"])
    pairs = dict(pairwise(words))
    assert pairs["-nic"] == "none"
    assert pairs["-accel"].startswith("tcg,")
    assert "panic=0" in pairs["-append"], "a crash waits for the watchdog"
    assert "quiet" in pairs["-append"]
    assert words[-2:] == ["-device", "x"]
