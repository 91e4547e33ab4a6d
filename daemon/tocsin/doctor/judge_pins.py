"""Judges the pins. Pure.

Pulls at boot: Raspberry Pi documentation, through `tocsin.core.circuit.pins`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from tocsin.core.circuit import Pull
from tocsin.core.circuit.pins import boots_high
from tocsin.doctor.finding import Topic, doubtful, good, untold, wrong
from tocsin.doctor.seen import READ, WRITE, join, listed, may, modes

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tocsin.doctor.finding import Finding
    from tocsin.doctor.seen import PinsAsked
    from tocsin.looks import LineSeen

SIMULATED = "simulated"


def judge_pins(asked: PinsAsked) -> Iterator[Finding]:
    """Judge chip, library, each line, and where each line stands at boot."""
    if asked.driver == SIMULATED:
        yield doubtful(
            Topic.PINS,
            "the pin driver",
            'the site file says [gpio] pins = "simulated"',
            "no relay moves, whatever the daemon decides",
            'set pins = "lgpio" where relays are wired',
        )
        return
    yield from _chip(asked)
    yield from _lines(asked)
    yield from _boot(asked)
    if asked.is_pi:
        yield from _let_go(asked)


def _chip(asked: PinsAsked) -> Iterator[Finding]:
    seen = asked.seen
    if seen is None:
        yield untold(
            Topic.PINS,
            "the pin driver",
            f"no look at pins is installed for {asked.driver!r}",
            "nobody knows whether a pin can move",
            "install Tocsin again, whole",
        )
        return
    if seen.library:
        yield wrong(
            Topic.PINS,
            "the library that moves pins",
            seen.library,
            "the daemon cannot start: no pin can be claimed",
            "apt install python3-lgpio, and an environment that sees system packages",
        )
    if not seen.chip:
        yield wrong(
            Topic.PINS,
            "the GPIO chip",
            "there is no /dev/gpiochip0",
            "the daemon cannot start: no pin can be claimed",
            "run it on the board whose pins are wired; in a container, pass the device",
        )
        return
    node = asked.chip
    if node is not None and not may(asked.who, node, READ | WRITE):
        yield wrong(
            Topic.PINS,
            f"the GPIO chip {seen.chip}",
            f"{asked.who.name} ({asked.who.because}) may not open it: {modes(node)}",
            "the daemon cannot start: no pin can be claimed",
            join(asked.who, node),
        )
    elif seen.trouble:
        yield untold(
            Topic.PINS,
            f"the GPIO chip {seen.chip}",
            f"it could not be asked: {seen.trouble}",
            "nobody knows who holds the pins",
            "run doctor as root, or as a user in the chip's group",
        )
    else:
        label = seen.label or "without a label"
        yield good(
            Topic.PINS,
            f"the GPIO chip {seen.chip}",
            f"{label}; {asked.who.name} ({asked.who.because}) may open it",
        )


def _lines(asked: PinsAsked) -> Iterator[Finding]:
    seen = asked.seen
    if seen is None or not seen.chip or seen.trouble:
        return
    outputs = [(p.output, p.pin) for p in asked.outputs]
    inputs = [(i.input, i.pin) for i in asked.inputs]
    for name, pin in (*outputs, *inputs):
        if pin is None:
            yield wrong(
                Topic.PINS,
                f"the pin of {name}",
                "the site file gives none",
                "the daemon cannot start: a real pin is needed",
                f'give {name} a pin = "GPIO.." in the site file',
            )
            continue
        line = seen.lines.get(pin)
        if line is None:
            yield wrong(
                Topic.PINS,
                f"{pin} of {name}",
                f"{seen.chip} has no such line",
                "the daemon cannot start",
                "correct the pin, or look which chip the header is on",
            )
        else:
            yield _line(asked, name, pin, line)


def _line(asked: PinsAsked, name: str, pin: str, line: LineSeen) -> Finding:
    what = f"{pin} of {name}"
    if not line.is_held:
        if asked.daemon_pid is None:
            return good(Topic.PINS, what, "free, for the daemon to claim")
        return wrong(
            Topic.PINS,
            what,
            "a daemon runs, and nobody holds this line",
            "the running daemon does not drive this pin",
            "is it another site file, or pins that were simulated? restart the daemon",
        )
    held = f"held by {line.user!r}" if line.user else "held by somebody"
    if asked.holders:
        held += f"; lines are open in {listed(asked.holders)}"
    if asked.is_unsure:
        return untold(
            Topic.PINS,
            what,
            held,
            "whether that is the daemon is not known: it could not be asked",
            "run doctor as root",
        )
    if asked.daemon_pid is None:
        return wrong(
            Topic.PINS,
            what,
            held,
            "the daemon cannot start: the line is busy",
            "end that program, or take its overlay out of the boot file",
        )
    return _held_beside_a_daemon(asked, what, held)


def _held_beside_a_daemon(asked: PinsAsked, what: str, held: str) -> Finding:
    pids = {pid for _, pid in asked.holders or ()}
    if asked.holders is None:
        return untold(
            Topic.PINS,
            what,
            held,
            "whether that is the daemon could not be seen",
            "run doctor as root",
        )
    if asked.daemon_pid not in pids:
        return wrong(
            Topic.PINS,
            what,
            held,
            "another program holds it, not the running daemon",
            "end that program, then restart the daemon and prove the output",
        )
    if len(pids) > 1:
        return doubtful(
            Topic.PINS,
            what,
            held,
            "which of them holds this line could not be seen",
            "end the other program",
        )
    return good(Topic.PINS, what, held)


def _boot(asked: PinsAsked) -> Iterator[Finding]:
    """Judge outputs that state no circuit: one that does is judged by `circuit`."""
    for pin in asked.outputs:
        if pin.pin is None or pin.output in asked.wired:
            continue
        what = f"{pin.output} on {pin.pin} at boot"
        is_high = boots_high(pin.pin, Pull.NONE)
        pulled = f"the board pulls {pin.pin} {'up' if is_high else 'down'} at boot"
        if is_high is not pin.active_low:
            yield wrong(
                Topic.PINS,
                what,
                pulled,
                f"{pin.output} is energised until the daemon holds the pin",
                "one of GPIO9 to GPIO27 and a driver that needs a high pin, with 10 "
                "kohm to ground at the driver",
            )
        elif pin.active_low:
            yield doubtful(
                Topic.PINS,
                what,
                f"{pulled}, and {pin.output} is energised while it is low",
                "a pin without power is low: a dead board may energise it",
                "a driver that needs a high pin",
            )
        else:
            weak = "by its own weak pull; the wiring behind it is not stated"
            yield good(Topic.PINS, what, f"{pulled}, {weak}")


def _let_go(asked: PinsAsked) -> Iterator[Finding]:
    what = "lines that a dead process lets go of"
    if asked.is_strict:
        yield good(Topic.PINS, what, "the boot file has dtparam=strict_gpiod")
        return
    seen = "the boot file has no dtparam=strict_gpiod"
    if asked.is_strict is None:
        seen = "the boot file was not found"
    yield doubtful(
        Topic.PINS,
        what,
        seen,
        "after a crash a pin may keep its last level: horn on, or charge permitted",
        "add dtparam=strict_gpiod to config.txt, and let a heartbeat relay cut the "
        "permits (deploy/DEADMAN.md)",
    )
