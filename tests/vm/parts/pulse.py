"""No line is energised for a moment when the daemon starts, stops, dies, restarts.

The relay of GPIO22 is active-low: a line claimed low and then set high, as a library
may do it, would switch the relay on for microseconds. A control does just that, and
the record must show it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from tests.vm.lab import ACTIVE_LOW, PERMITS, PINS, PYTHON, Lab, booted
from tests.vm.machine import Machine

if TYPE_CHECKING:
    from tests.vm.lab import Place, Report
    from tests.vm.levels import Record

ROUNDS = 3
SILENT = {"left": {"silent": True}, "right": {"silent": True}}
NAIVE = f"""\
mount --bind /run/lab/cpuinfo /proc/cpuinfo
cd /tmp && GPIOZERO_PIN_FACTORY=lgpio {PYTHON} -c '
from gpiozero import OutputDevice
OutputDevice({PINS["drying-room"]}, active_high=False, initial_value=False).close()'
umount /proc/cpuinfo
"""
"""gpiozero as it comes: it claims the line low, then sets the level."""


def run(place: Place) -> None:
    """Watch the start of the machine, then starts and ends of every kind."""
    report = place.report
    with Machine(place.image, place.folder) as machine:
        lab = Lab(machine)
        booted(lab)
        lab.until("every permit", lab.all_permitted)
        record = lab.record()
        ready_s = int(lab.unit("ActiveEnterTimestampMonotonic")) / 1e6
        pulses = _energised(record, 0.0, ready_s)
        report.check(not pulses, f"boot to the first step: no line energised {pulses}")
        for how in ("stop", "kill -s KILL", "restart"):
            _ends_with_permits(lab, report, how)
        lab.wish(**SILENT)
        lab.until("nothing permitted", lambda: not any(lab.levels().values()))
        _rounds(lab, report)
        _control(lab, report)
        report.note(
            f"resolution: every call of the GPIO driver, {lab.record().writes} of them "
            "by kernel probe, none lost; the simulated chip's pull resistors stand for "
            "the board's"
        )


def _energised(record: Record, first_s: float, last_s: float) -> list[str]:
    """Return which outputs were energised in a span of time, and for how long."""
    names = {pin: name for name, pin in PINS.items()}
    said: list[str] = []
    for change in record.between(first_s, last_s):
        name = names.get(change.line)
        if name is None or change.level is (name in ACTIVE_LOW):
            continue
        after = record.of(change.line, after_s=change.at_s)
        lasted = f"{(after[1].at_s - change.at_s) * 1e6:.0f} us" if after[1:] else "on"
        said.append(f"{name} {lasted}")
    return said


def _ends_with_permits(lab: Lab, report: Report, how: str) -> None:
    """End the daemon while every permit is given: each falls once and stays down."""
    lab.until("every permit", lab.all_permitted)
    was = lab.unit("MainPID")
    lab.mark("ended")
    lab.machine.sh(f"systemctl {how} tocsin")
    if how == "stop":
        lab.machine.sh("sleep 2; systemctl start tocsin")
    lab.until(
        f"another process after {how}",
        lambda: lab.is_active() and lab.unit("MainPID") not in {"0", was},
    )
    lab.until("every permit", lab.all_permitted)
    record = lab.record()
    ended_s = record.mark("ended")
    ready_s = int(lab.unit("ActiveEnterTimestampMonotonic")) / 1e6
    falls = {n: record.of(PINS[n], after_s=ended_s)[0].at_s - ended_s for n in PERMITS}
    pulses = _energised(record, ended_s, ready_s)
    report.check(
        not pulses and record.lost == 0,
        f"systemctl {how}: permits fell after {max(falls.values()) * 1000:.0f} ms and "
        f"no line was energised again before the first step {pulses}",
    )


def _rounds(lab: Lab, report: Report) -> None:
    """Start and end it with nothing to permit: no line may ever move."""
    for how in ("stop", "kill -s KILL", "restart"):
        lab.mark("rounds")
        for _ in range(ROUNDS):
            was = lab.unit("MainPID")
            lab.machine.sh(f"systemctl {how} tocsin")
            lab.machine.sh("systemctl start tocsin")
            lab.until(
                "another process",
                lambda was=was: lab.is_active() and lab.unit("MainPID") != was,  # type: ignore[misc]
            )
        record = lab.record()
        pulses = _energised(record, record.mark("rounds"), float("inf"))
        report.check(
            not pulses and record.lost == 0,
            f"{ROUNDS} x {how} and start with a silent bank: no line moved {pulses}",
        )


def _control(lab: Lab, report: Report) -> None:
    lab.machine.sh("systemctl stop tocsin")
    lab.mark("control")
    lab.machine.sh(NAIVE)
    record = lab.record()
    pulses = _energised(record, record.mark("control"), float("inf"))
    report.check(pulses, f"control, the library's own way: the record shows {pulses}")
