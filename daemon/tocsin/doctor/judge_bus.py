"""Judges serial lines, CAN interfaces, and who answers on them. Pure.

States and counters of a CAN controller: ISO 11898-1 (error active, passive, bus off),
by the names of Linux, ``include/uapi/linux/can/netlink.h``.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from tocsin.doctor.finding import Topic, doubtful, good, untold, wrong
from tocsin.doctor.seen import READ, WRITE, Kind, join, listed, may, modes

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tocsin.doctor.finding import Finding
    from tocsin.doctor.seen import CanSeen, PackSeen, SerialSeen


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
            f"{seen.who.name} ({seen.who.because}) may not open it: {modes(node)}",
            f"{seen.packs} cannot be read: charge is not permitted",
            join(seen.who, node),
        )
    else:
        yield from _shared(seen, what)


def _shared(seen: SerialSeen, what: str) -> Iterator[Finding]:
    others = [each for each in seen.holders or () if each[1] != seen.daemon_pid]
    if others:
        yield wrong(
            Topic.BUS,
            what,
            f"open in {listed(tuple(others))}",
            "two programs on one line spoil each other's answers",
            "end the other program, or mask the login on that line",
        )
    elif seen.holders is None:
        yield untold(
            Topic.BUS,
            what,
            f"there, and {seen.who.name} may open it; who else has it open is not seen",
            "two programs on one line spoil each other's answers",
            "run doctor as root",
        )
    else:
        said = f"there, and {seen.who.name} may open it; nobody else has it open"
        yield good(Topic.BUS, what, said)


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


def _frames(seen: CanSeen) -> str:
    return f"{_n(seen.received)} frames received"


def _n(count: int | None) -> str:
    return "unknown" if count is None else str(count)
