"""What the virtual machine is made of. Pure: names, texts and keys, nothing is done.

The kernel, its headers and its source must be of one version: the simulated GPIO chip
(``drivers/gpio/gpio-sim.c``) is switched off in Debian's kernels and is built from
their own source. The kernel for cloud machines lacks vcan and the watchdog.
"""

from __future__ import annotations

import hashlib
import re
from pathlib import PurePath
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

SUITE = "bookworm"
MIRROR = "http://deb.debian.org/debian"
META_KERNEL = "linux-image-amd64"
SOURCE = "linux-source-6.1"

HOST_PROGRAMS: Mapping[str, str] = {
    "qemu-system-x86_64": "qemu-system-x86",
    "qemu-img": "qemu-utils",
    "mmdebstrap": "mmdebstrap",
    "busybox": "busybox-static",
    "cpio": "cpio",
    "mke2fs": "e2fsprogs",
    "debugfs": "e2fsprogs",
    "modprobe": "kmod",
    "make": "make",
    "gcc": "gcc",
    "xz": "xz-utils",
}
"""What must be on this machine, and the Debian package that brings it."""

GUEST_PACKAGES = (
    "systemd",
    "systemd-sysv",
    "udev",
    "kmod",
    "iproute2",
    "passwd",
    "python3",
    "python3-venv",
)

MODULE_FOLDERS = (
    "arch/x86/crypto",
    "crypto",
    "drivers/block",
    "drivers/char",
    "drivers/net/can",
    "drivers/tty",
    "drivers/usb",
    "drivers/virtio",
    "drivers/watchdog",
    "fs/configfs",
    "fs/ext4",
    "fs/fuse",
    "fs/jbd2",
    "fs/mbcache.ko",
    "lib",
    "net/can",
)
"""Of the kernel's modules; all of them would be ten times as much."""

INITRD_MODULES = ("virtio_pci", "virtio_blk", "ext4", "crc32c_generic")

UNWANTED_UNITS = (
    "apt-daily.timer",
    "apt-daily-upgrade.timer",
    "dpkg-db-backup.timer",
    "e2scrub_all.timer",
    "e2scrub_reap.service",
    "fstrim.timer",
    "getty@tty1.service",
    "systemd-firstboot.service",
    "systemd-networkd.service",
    "systemd-pstore.service",
    "systemd-resolved.service",
    "systemd-timesyncd.service",
)
"""What a machine without a network and a screen would only wait for."""

GUEST_PYTHON = "3.11"

GPIO_SIM_SOURCES = ("drivers/gpio/gpio-sim.c", "drivers/gpio/gpiolib.h")
IRQ_SIM_SOURCE = "kernel/irq/irq_sim.c"
KBUILD = "obj-m := gpio-sim.o\ngpio-sim-y := gpio-sim-main.o irq_sim.o\n"

INIT = """\
#!/bin/sh
b=/bin/busybox
$b mount -t devtmpfs none /dev
for m in /mod/*; do $b insmod $m; done
n=0
while [ ! -b /dev/vda ] && [ $n -lt 400 ]; do $b usleep 50000; n=$((n+1)); done
$b mount -t ext4 -o rw /dev/vda /newroot || exec /bin/sh
$b mount --move /dev /newroot/dev
exec $b switch_root /newroot /sbin/init
"""
"""Of the initial RAM disk, which knows one disk and one file system."""


class RecipeError(Exception):
    """Something that the machine is made of cannot be had; says what and where from."""


def kernel_release(depends: str) -> str:
    """Return the release that ``apt-cache depends linux-image-amd64`` names.

    Raises:
        RecipeError: it names none.
    """
    found = re.search(r"Depends: linux-image-(\d[\w.+-]*-amd64)\s", f"{depends}\n")
    if found is None:
        raise RecipeError(
            f"apt-cache names no kernel for {META_KERNEL}: is this amd64?"
        )
    return found[1]


def exported_only(irq_sim: str) -> str:
    """Return irq_sim.c with the one symbol changed that modules may not use.

    ``irq_to_desc`` is not exported; ``generic_handle_irq`` does the same by number.

    Raises:
        RecipeError: the line is not there, so that the result would not load.
    """
    was, becomes = (
        "handle_simple_irq(irq_to_desc(irqnum))",
        "generic_handle_irq(irqnum)",
    )
    if was not in irq_sim:
        raise RecipeError(f"{IRQ_SIM_SOURCE} no longer says {was}")
    return irq_sim.replace(was, becomes)


def missing_programs(found: Iterable[str]) -> list[str]:
    """Return the packages of the programs that are not among *found*."""
    have = set(found)
    return sorted({pkg for name, pkg in HOST_PROGRAMS.items() if name not in have})


def initrd_names(insmods: str) -> list[tuple[str, str]]:
    """Return (path, name in the RAM disk) from ``modprobe --show-depends`` lines.

    Names sort in the order of loading; a module that several need is there once.
    """
    paths = [words[1] for line in insmods.splitlines() if (words := line.split())[1:]]
    ordered = list(dict.fromkeys(paths))
    return [(p, f"{n:02}-{PurePath(p).name}") for n, p in enumerate(ordered)]


def key(files: Mapping[str, bytes], *settings: object) -> str:
    """Return a short name for what is made of *files* and *settings*."""
    digest = hashlib.sha256(repr(settings).encode())
    for name in sorted(files):
        digest.update(f"\0{name}\0{len(files[name])}\0".encode())
        digest.update(files[name])
    return digest.hexdigest()[:16]
