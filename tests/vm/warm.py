"""A machine that was booted once: later ones begin where it stopped, in a second."""

from __future__ import annotations

import json
import os
import shutil
import time
from typing import TYPE_CHECKING

from tests.vm.machine import ANSWER_S, Machine

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from tests.vm.build import Image

WAKE = """\
date -s @{now} > /dev/null
echo {stir} > /dev/urandom
python3 -c 'import fcntl; fcntl.ioctl(open("/dev/urandom", "w"), 0x5207)'
"""
"""A machine woken twice would draw the same random numbers twice, and the same name for
two runs of the daemon: RNDRESEEDCRNG of linux/random.h. It has no clock of its own."""


class Warm:
    """The kept state of a booted machine.

    Args:
        folder: Where its memory and its root disk are kept.
        more: Devices for qemu; every machine woken has the same ones.
    """

    def __init__(self, image: Image, folder: Path) -> None:
        self._image = image
        self._folder = folder

    def make(self, more: Sequence[str], prepare: Callable[[Machine], None]) -> None:
        """Boot, *prepare*, and keep what is in memory and on the root disk."""
        with Machine(self._image, self._folder, more=more) as machine:
            machine.ready()
            prepare(machine)
            machine.sh("sync")
            machine.qmp("stop")
            machine.qmp("migrate-set-parameters", **{"max-bandwidth": 4 << 30})
            machine.qmp("migrate", uri=f"exec:cat > {self._folder / 'state'}")
            machine.until(
                "the kept state",
                lambda: machine.qmp("query-migrate").get("status") == "completed",
            )

    def woken(self, folder: Path, more: Sequence[str]) -> Machine:
        """Return a machine that goes on from there, not yet started."""
        shutil.rmtree(folder, ignore_errors=True)
        return Machine(
            self._image,
            folder,
            more=[*more, "-incoming", f"exec:cat {self._folder / 'state'}"],
            root=self._folder / "root.qcow2",
        )


def wake(machine: Machine) -> None:
    """Let a woken machine run, with the time and with randomness of its own."""
    machine.until(
        "the kept state's return",
        lambda: machine.qmp("query-status")["status"] != "inmigrate",
    )
    if machine.qmp("query-status")["status"] != "running":
        machine.qmp("cont")
    stir = json.dumps(os.urandom(64).hex())
    now = f"{time.time_ns() / 1e9:.3f}"
    machine.sh(WAKE.format(now=now, stir=stir), within_s=ANSWER_S)
