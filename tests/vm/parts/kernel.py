"""A kernel that has crashed is reset by the hardware watchdog, and all begins again.

The watchdog is the emulated i6300esb, fed by systemd. A Raspberry Pi's own counts some
15 s at most (general knowledge, not tested here), so the time must be below that.
"""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

from tests.vm.lab import PERMITS, PINS, Lab, booted, seconds
from tests.vm.machine import BOOT_S, Machine

if TYPE_CHECKING:
    from tests.vm.lab import Place

WATCHDOG = "/sys/class/watchdog/watchdog0"
SLACK_S = 5.0


def run(place: Place) -> None:
    """Crash the kernel with every permit given."""
    report = place.report
    with Machine(place.image, place.folder) as machine:
        lab = Lab(machine)
        booted(lab)
        limit_s = seconds(machine.sh("systemctl show -P RuntimeWatchdogUSec"))
        state = machine.sh(f"cat {WATCHDOG}/state").strip()
        report.check(state == "active", f"the installed watchdog is {state}")
        lab.until("every permit", lab.all_permitted)
        was, since = machine.boot_id, len(machine.events)
        crashed_s = time.perf_counter()
        machine.tell("sh -c 'sync; echo c > /proc/sysrq-trigger'")
        reset_s = machine.event("RESET", since, within_s=BOOT_S) - crashed_s
        report.check(
            reset_s <= limit_s + SLACK_S,
            f"crashed kernel (sysrq c, panic=0): reset after {reset_s:.1f} s "
            f"(RuntimeWatchdogSec={limit_s:g})",
        )
        machine.ready()
        report.check(machine.boot_id != was, "it booted again by itself")
        lab.until("the daemon", lab.is_active)
        lab.until("every permit", lab.all_permitted)
        record = lab.record()
        ready_s = int(lab.unit("ActiveEnterTimestampMonotonic")) / 1e6
        rose_s = min(record.of(PINS[name])[0].at_s for name in PERMITS)
        report.check(
            rose_s > ready_s and record.lost == 0,
            f"the daemon came back by itself: first step {ready_s:.1f} s into the new "
            f"boot, permits down until {rose_s:.1f} s",
        )
        said = machine.sh(f"cat {WATCHDOG}/bootstatus").strip()
        report.note(f"bootstatus {said} (32 is WDIOF_CARDRESET, linux/watchdog.h)")
