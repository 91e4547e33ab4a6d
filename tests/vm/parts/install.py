"""The installer, once more on the running machine: a named pin moves, nothing else.

GPIO25 is wired to nothing. GPIO17 is the charge permit's, which the daemon holds: a
second claim is refused by the kernel, and the installer says so.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from tests.vm.lab import PINS, Lab, booted
from tests.vm.machine import Machine

if TYPE_CHECKING:
    from tests.vm.lab import Place

FREE = 25
TIMES = 3
INSTALL = """\
mount --bind /run/lab/cpuinfo /proc/cpuinfo
sh /wheelhouse/deploy/install.sh --try-pin GPIO{pin} 2>&1 || echo refused
umount /proc/cpuinfo
"""
WITHIN_S = 1_200.0


def run(place: Place) -> None:
    """Install the version that runs, and have a free pin and a held one moved."""
    report = place.report
    with Machine(place.image, place.folder) as machine:
        lab = Lab(machine)
        booted(lab)
        lab.until("every permit", lab.all_permitted)
        lab.mark("installer")
        said = machine.sh(INSTALL.format(pin=FREE), within_s=WITHIN_S)
        record = lab.record()
        levels = [c.level for c in record.of(FREE, after_s=record.mark("installer"))]
        report.check(
            levels == [True, False] * TIMES and record.lost == 0,
            f"GPIO{FREE}: the chip's record shows {levels.count(True)} pulses",
        )
        promised = f"GPIO{FREE} moved {TIMES} times and read back what was written"
        is_said = promised in said and not said.endswith("refused\n")
        report.check(is_said, f"the installer says: {promised}")
        lab.until("every permit", lab.all_permitted)
        report.check(True, "the daemon runs on and permits as before")
        said = machine.sh(INSTALL.format(pin=PINS["charge"]), within_s=WITHIN_S)
        refused = "cannot be claimed" in said and said.rstrip().endswith("refused")
        words = next((row for row in said.splitlines() if "cannot be" in row), said)
        report.check(refused, f"a pin that the daemon holds: {words}")
        lab.until("every permit", lab.all_permitted)
