"""From power-on to the first safe step, and pins that follow the core."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tests.vm.lab import PERMITS, PINS, Lab, booted
from tests.vm.machine import Machine

if TYPE_CHECKING:
    from tests.vm.lab import Place, Report

POLL_S = 1.0
GOOD_SCANS = 5
"""The defaults of a site file, as guest/site.toml uses them."""


def run(place: Place) -> None:
    """Boot once and play a bank that is cold, full, empty and silent."""
    report = place.report
    with Machine(place.image, place.folder) as machine:
        lab = Lab(machine)
        host_s = booted(lab)
        _first_step(lab, report, host_s)
        _permits_rise(lab, report)
        _charge_falls(lab, report, "cold (2 degC)", {"temp_dc": 20})
        _charge_falls(lab, report, "full (3.66 V)", {"cell_mv": 3_660})
        _stages_fall(lab, report)
        _silence(lab, report)


def _first_step(lab: Lab, report: Report, host_s: float) -> None:
    began_s = int(lab.unit("ExecMainStartTimestampMonotonic")) / 1e6
    ready_s = int(lab.unit("ActiveEnterTimestampMonotonic")) / 1e6
    report.note(
        f"first safe step {ready_s:.1f} s after the kernel started: unit started at "
        f"{began_s:.1f} s, its process took {ready_s - began_s:.1f} s (emulated; "
        f"{host_s:.1f} s after power-on, by the host's clock)"
    )
    chip = lab.machine.sh("readlink -f /run/lab/gpio; ls -l /dev/gpiochip0").split()
    report.note(f"lines of {chip[0]}, /dev/gpiochip0 {chip[1]} group {chip[4]}")
    user = lab.machine.sh(f"stat -c %U /proc/{lab.unit('MainPID')}").strip()
    report.check(user == "tocsin", f"the daemon runs as the user {user}")


def _permits_rise(lab: Lab, report: Report) -> None:
    lab.until("every permit", lab.all_permitted)
    record = lab.record()
    ready_s = int(lab.unit("ActiveEnterTimestampMonotonic")) / 1e6
    first = {name: record.of(PINS[name])[0] for name in PERMITS}
    soonest_s = min(change.at_s for change in first.values()) - ready_s
    least_s = (GOOD_SCANS - 1) * POLL_S
    report.check(
        soonest_s > least_s * 0.9,
        f"permits rise {soonest_s:.1f} s after the first step: {GOOD_SCANS} good "
        f"scans, one a second, came first",
    )
    _agree(lab, report, "at rest")


def _agree(lab: Lab, report: Report, when: str) -> None:
    """Compare the permits that the daemon says it demands with the chip."""
    said, found = lab.demands(), lab.permits()
    wrong = sorted(name for name in found if said[name] != found[name])
    but = f"; not {', '.join(wrong)}" if wrong else ""
    report.check(not wrong, f"{when}: every permit is on the chip as demanded{but}")


def _charge_falls(lab: Lab, report: Report, why: str, wish: dict[str, int]) -> None:
    lab.wish(right=wish)
    took_s = lab.until(f"charge inhibited, {why}", lab.has(charge=False))
    now = lab.levels()
    report.check(
        now["lights"], f"one pack {why}: charge permit fell, {took_s:.0f} s; loads stay"
    )
    _agree(lab, report, why)
    lab.wish()
    took_s = lab.until(f"charge again after {why}", lab.has(charge=True))
    report.check(True, f"no longer {why}: charge permit is back, {took_s:.0f} s")


def _stages_fall(lab: Lab, report: Report) -> None:
    lab.mark("empty")
    lab.wish(right={"cell_mv": 2_700})
    lab.until("loads shed", lab.has(drying_room=False, lights=False, horn=True))
    _agree(lab, report, "empty (2.70 V)")
    record = lab.record()
    since_s = record.mark("empty")
    first, last = (
        record.of(PINS[name], after_s=since_s)[0].at_s for name in PERMITS[1:]
    )
    report.check(
        first < last,
        f"one pack empty (2.70 V): stage 1 fell {first - since_s:.1f} s later, stage 2 "
        f"{last - since_s:.1f} s, the horn sounds",
    )
    lab.wish()


def _silence(lab: Lab, report: Report) -> None:
    lab.until("charge again", lab.has(charge=True))
    lab.wish(left={"silent": True}, right={"silent": True})
    charge_s = lab.until("charge inhibited, silent", lab.has(charge=False))
    report.check(True, f"both packs silent: charge permit fell, {charge_s:.0f} s")
    lab.until("loads dropped, silent", lab.has(drying_room=False, lights=False))
    _agree(lab, report, "silent")
