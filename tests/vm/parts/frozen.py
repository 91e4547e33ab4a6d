"""A daemon that is stopped in its tracks: who notices, and when its permits fall.

A stopped process still holds its lines. Until the service manager kills it only an
external relay that waits for the heartbeat can drop them; both times are measured.
"""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

from tests.vm.lab import HEARTBEAT_PIN, PERMITS, PINS, Lab, booted, seconds
from tests.vm.machine import Machine

if TYPE_CHECKING:
    from tests.vm.lab import Place
    from tests.vm.levels import Change

SLACK_S = 5.0
"""For the service manager itself, which is emulated too."""


def run(place: Place) -> None:
    """Freeze the daemon with every permit given."""
    report = place.report
    with Machine(place.image, place.folder) as machine:
        lab = Lab(machine)
        booted(lab)
        lab.until("every permit", lab.all_permitted)
        limit_s = seconds(lab.unit("WatchdogUSec"))
        was = lab.unit("MainPID")
        machine.sh(f"echo frozen > /sys/kernel/tracing/trace_marker; kill -STOP {was}")
        machine.sh("sleep 2")
        report.check(
            lab.all_permitted(),
            "two seconds after SIGSTOP the process still holds every permit: "
            "nothing in this computer has noticed yet",
        )
        lab.until(
            "another process",
            lambda: lab.is_active() and lab.unit("MainPID") not in {"0", was},
        )
        ready_s = int(lab.unit("ActiveEnterTimestampMonotonic")) / 1e6
        restarts = int(lab.unit("NRestarts"))
        lab.until("every permit", lab.all_permitted)
        record = lab.record()
        frozen_s = record.mark("frozen")
        beats = record.of(HEARTBEAT_PIN)
        last_s = max(c.at_s for c in beats if c.at_s < frozen_s + 1) - frozen_s
        falls = [record.of(PINS[name], after_s=frozen_s)[0].at_s for name in PERMITS]
        rises = [record.of(PINS[name], after_s=frozen_s)[1].at_s for name in PERMITS]
        fell_s, rose_s = max(falls) - frozen_s, min(rises) - frozen_s
        report.note(
            f"heartbeat: last edge {last_s:+.2f} s from SIGSTOP; beats before came "
            f"every {_longest(beats, frozen_s):.2f} s at most, so an external dead-man "
            "relay drops that much plus its own delay later"
        )
        report.check(
            fell_s <= limit_s + SLACK_S and restarts == 1 and record.lost == 0,
            f"permits fell {fell_s:.1f} s after SIGSTOP, when systemd killed it "
            f"(WatchdogSec={limit_s:g}), and it was restarted {restarts} time(s)",
        )
        report.check(
            rose_s > ready_s - frozen_s,
            f"permits stayed down until {rose_s:.1f} s: its first step again came at "
            f"{ready_s - frozen_s:.1f} s, then the good scans",
        )


def _longest(beats: list[Change], until_s: float) -> float:
    times = [beat.at_s for beat in beats if beat.at_s < until_s][-20:]
    return max(b - a for a, b in pairwise(times))
