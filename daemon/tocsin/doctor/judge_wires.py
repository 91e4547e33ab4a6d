"""Judges pins and buses. Pure.

Pulls at boot: Raspberry Pi documentation, through `tocsin.core.circuit.pins`. States
and counters of a CAN controller: ISO 11898-1 (error active, passive, bus off), by the
names of Linux, ``include/uapi/linux/can/netlink.h``.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from tocsin.core.circuit import Pull
from tocsin.core.circuit.pins import boots_high
from tocsin.doctor.finding import Topic, doubtful, good, untold, wrong
from tocsin.doctor.seen import READ, WRITE, Kind, may

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tocsin.doctor.finding import Finding
    from tocsin.doctor.seen import (
        CanSeen,
        Node,
        PackSeen,
        PinsAsked,
        SerialSeen,
        Who,
    )
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
            f"{asked.who.name} ({asked.who.because}) may not open it: {_modes(node)}",
            "the daemon cannot start: no pin can be claimed",
            _join(asked.who, node),
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
        held += f"; lines are open in {_listed(asked.holders)}"
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


def judge_serial(seen: SerialSeen) -> Iterator[Finding]:
    """Judge a serial device: there, a device, ours to open, nobody else's."""
    node, what = seen.node, f"{seen.node.path} of {seen.packs}"
    if node.kind is Kind.MISSING:
        yield wrong(
            Topic.BUS,
            what,
            "it is not there",
            f"{seen.packs} cannot be read: charge is not permitted",
            "plug the adapter in; name it by /dev/serial/by-id, which survives a "
            "restart",
        )
    elif node.kind is Kind.UNSEEN:
        yield untold(
            Topic.BUS,
            what,
            node.trouble,
            "whether it is there could not be seen",
            "run doctor as root",
        )
    elif node.kind is not Kind.DEVICE:
        yield wrong(
            Topic.BUS,
            what,
            f"it is a {node.kind}, no device",
            f"{seen.packs} cannot be read: charge is not permitted",
            "name the adapter's own device",
        )
    elif not may(seen.who, node, READ | WRITE):
        yield wrong(
            Topic.BUS,
            what,
            f"{seen.who.name} ({seen.who.because}) may not open it: {_modes(node)}",
            f"{seen.packs} cannot be read: charge is not permitted",
            _join(seen.who, node),
        )
    else:
        yield from _shared(seen, what)


def _shared(seen: SerialSeen, what: str) -> Iterator[Finding]:
    others = [each for each in seen.holders or () if each[1] != seen.daemon_pid]
    if others:
        yield wrong(
            Topic.BUS,
            what,
            f"open in {_listed(tuple(others))}",
            "two programs on one line spoil each other's answers",
            "end the other program, or mask the login on that line",
        )
    else:
        alone = "nobody else has it open"
        if seen.holders is None:
            alone = "other users' programs could not be seen"
        yield good(Topic.BUS, what, f"there, and {seen.who.name} may open it; {alone}")


def judge_can(seen: CanSeen) -> Iterator[Finding]:
    """Judge a CAN interface: there, up, its bit rate, its controller's state."""
    what = f"{seen.name} of {seen.packs}"
    lost = f"{seen.packs} cannot be read: charge is not permitted"
    rate = f" bitrate {seen.bitrate}" if seen.bitrate else " bitrate 250000"
    setting = f"ip link set {seen.name} up type can{rate} restart-ms 100"
    if not seen.is_there:
        seems = "there is no such interface"
        todo = "load the adapter's driver, or an overlay in the boot file"
        yield wrong(Topic.BUS, what, seems, lost, f"{todo}; deploy/CAN.md")
    elif not seen.is_can:
        yield wrong(Topic.BUS, what, "it is no CAN interface", lost, "correct the name")
    elif not seen.is_up:
        yield wrong(Topic.BUS, what, "it is down", lost, setting)
    elif seen.kind == "vcan":
        yield doubtful(
            Topic.BUS,
            what,
            "it is an interface without wires",
            "no battery is watched",
            "name the real interface",
        )
    elif seen.state is None:
        yield untold(
            Topic.BUS,
            what,
            f"up, {_frames(seen)}; its controller says nothing of its state",
            "bus-off would not be seen here",
            f"ip -details link show {seen.name}",
        )
    else:
        yield from _controller(seen, what, lost, setting)


def _controller(seen: CanSeen, what: str, lost: str, setting: str) -> Iterator[Finding]:
    counters = f"error counters tx {_n(seen.tx_errors)}, rx {_n(seen.rx_errors)}"
    rate = "bit rate unknown" if not seen.bitrate else f"{seen.bitrate} bit/s"
    said = f"{seen.state}, {rate}, {counters}, {_frames(seen)}"
    if seen.state in {"BUS-OFF", "STOPPED", "SLEEPING"}:
        yield wrong(
            Topic.BUS,
            what,
            said,
            f"the controller has left the bus; {lost}",
            f"look for a wrong bit rate, a missing terminator, a short; then {setting}",
        )
    elif seen.state != "ERROR-ACTIVE":
        yield doubtful(
            Topic.BUS,
            what,
            said,
            "many frames are faulty",
            "check the bit rate, both terminators (about 60 ohm between the wires of a "
            "dead bus) and the ground",
        )
    elif not seen.received:
        yield doubtful(
            Topic.BUS,
            what,
            said,
            "nothing was ever heard here",
            "wait a minute; then check the bit rate, that the battery talks unasked, "
            "and that the two wires are not swapped",
        )
    else:
        yield good(Topic.BUS, what, said)
    if seen.restart_ms == 0:
        yield doubtful(
            Topic.BUS,
            f"{seen.name} after bus-off",
            "restart-ms is 0",
            "once off the bus it stays off until somebody comes",
            setting,
        )


def judge_pack(seen: PackSeen) -> Iterator[Finding]:
    """Judge whether a pack or source answers."""
    what = f"{seen.name} on {seen.place}"
    if seen.is_answering is None:
        yield untold(
            Topic.BUS,
            what,
            seen.said or "it was not asked",
            "whether it answers is not known",
            "start the daemon, then run doctor again",
        )
    elif seen.is_answering:
        yield good(Topic.BUS, what, f"{seen.asked}: {seen.said or 'it answers'}")
    else:
        yield wrong(
            Topic.BUS,
            what,
            f"{seen.asked}: {seen.said or 'no answer'}",
            "charge is not permitted, and loads go after their hold",
            "check power, address, unit, baud and parity; tocsin scan shows what "
            "answers",
        )


def _modes(node: Node) -> str:
    return f"{node.path} is for group {node.group or node.gid}, mode {node.mode:o}"


def _join(who: Who, node: Node) -> str:
    if node.gid == 0 or not (node.mode >> 3) & READ:
        return f"give {node.path} to a group by a udev rule, as the installer does"
    return f"usermod -aG {node.group or node.gid} {who.name}, then restart the daemon"


def _listed(holders: tuple[tuple[str, int], ...]) -> str:
    return ", ".join(f"{name} ({pid})" for name, pid in holders)


def _frames(seen: CanSeen) -> str:
    return f"{_n(seen.received)} frames received"


def _n(count: int | None) -> str:
    return "unknown" if count is None else str(count)
