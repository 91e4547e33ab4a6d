"""Looks at pins, serial lines, CAN interfaces and at who answers on them."""

from __future__ import annotations

import asyncio
import json
from contextlib import suppress
from functools import partial
from importlib.metadata import entry_points
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tocsin import control
from tocsin.doctor.machine import node
from tocsin.doctor.seen import CanSeen, PackSeen, PinsAsked, SerialSeen
from tocsin.ports import LOG, CanLine, SerialLine, TcpLine
from tocsin.sightings import ScanSpec

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from tocsin.doctor.machine import Machine
    from tocsin.doctor.seen import DaemonSeen, Who
    from tocsin.looks import LookAtPins
    from tocsin.ports import SourceSpec
    from tocsin.sightings import BuildScanner
    from tocsin_config import Setup

ASKING_S = 4.0
"""How long one pack may take to answer; well below what a look may."""

BOOT_FILES = ("/boot/firmware/config.txt", "/boot/config.txt")
ARPHRD_CAN = 280
"""``/sys/class/net/*/type`` of a CAN interface: Linux, ``if_arp.h``."""


def pins(machine: Machine, setup: Setup, who: Who, daemon: DaemonSeen) -> PinsAsked:
    """Look at the site's pins, without claiming one."""
    looks = entry_points(group="tocsin.pin_looks")
    seen = None
    if setup.pins_driver in looks.names:
        look: LookAtPins = looks[setup.pins_driver].load()
        every = [each.pin for each in setup.pins]
        every += [each.pin for each in setup.input_pins]
        seen = look([pin for pin in every if pin is not None], machine.root)
    model = machine.text("/proc/device-tree/model") or ""
    return PinsAsked(
        driver=setup.pins_driver,
        outputs=setup.pins,
        inputs=setup.input_pins,
        wired=frozenset(
            pin.output
            for pin, wired in zip(setup.pins, setup.wiring, strict=True)
            if wired.circuit is not None
        ),
        who=who,
        seen=seen,
        chip=node(Path(seen.chip)) if seen is not None and seen.chip else None,
        holders=machine.holders(_is_line),
        daemon_pid=daemon.pid,
        is_unsure=daemon.is_unsure,
        is_pi="Raspberry Pi" in model,
        is_strict=_is_strict(machine),
    )


def _is_line(link: str) -> bool:
    return link.startswith("anon_inode:") and "gpio" in link


def _is_strict(machine: Machine) -> bool | None:
    texts = [machine.text(path) for path in BOOT_FILES]
    known = [text for text in texts if text is not None]
    lines = "\n".join(known).splitlines()
    found = any("strict_gpiod" in line.split("#")[0] for line in lines)
    return found if known else None


def _sources(setup: Setup) -> tuple[SourceSpec, ...]:
    """Return what can be read here: no recordings."""
    every = (*setup.sources, *setup.extras)
    return tuple(s for s in every if not (s.is_only_recorded or s.is_played))


def _by_place(setup: Setup) -> dict[TcpLine | SerialLine | CanLine, list[SourceSpec]]:
    placed: dict[TcpLine | SerialLine | CanLine, list[SourceSpec]] = {}
    for spec in _sources(setup):
        if spec.line is not None:
            placed.setdefault(spec.line, []).append(spec)
    return placed


def serials(
    machine: Machine, setup: Setup, who: Who, pid: int | None
) -> Iterator[SerialSeen]:
    """Look at every serial device that the site names, adapters for CAN among them."""
    devices: dict[str, list[SourceSpec]] = {}
    for line, specs in _by_place(setup).items():
        if isinstance(line, SerialLine):
            devices.setdefault(line.device, []).extend(specs)
        elif isinstance(line, CanLine) and line.interface == "slcan":
            devices.setdefault(line.channel.split("@")[0], []).extend(specs)
    for device, specs in devices.items():
        path = machine.at(device)
        open_at = {device, str(path.resolve())}
        yield SerialSeen(
            node=node(path),
            who=who,
            packs=_names(specs),
            holders=machine.holders(open_at.__contains__),
            daemon_pid=pid,
        )


def cans(machine: Machine, setup: Setup) -> Iterator[CanSeen]:
    """Look at every CAN interface of the kernel that the site names."""
    for line, specs in _by_place(setup).items():
        if isinstance(line, CanLine) and line.interface == "socketcan":
            yield can(machine, line.channel, _names(specs))


def can(machine: Machine, name: str, packs: str) -> CanSeen:
    """Look at one CAN interface."""
    of = machine.at(f"/sys/class/net/{name}")
    if not of.exists():
        return CanSeen(name=name, packs=packs)
    link = _link(machine.run("ip", "-details", "-json", "link", "show", "dev", name))
    info = link.get("linkinfo", {})
    data = info.get("info_data", {})
    counters = data.get("berr_counter", {})
    flags = machine.number(f"/sys/class/net/{name}/flags", 16) or 0
    return CanSeen(
        name=name,
        packs=packs,
        is_there=True,
        is_can=machine.number(f"/sys/class/net/{name}/type") == ARPHRD_CAN,
        is_up=bool(flags & 1),
        kind=info.get("info_kind"),
        bitrate=data.get("bittiming", {}).get("bitrate"),
        state=data.get("state"),
        restart_ms=data.get("restart_ms"),
        tx_errors=counters.get("tx"),
        rx_errors=counters.get("rx"),
        received=machine.number(f"/sys/class/net/{name}/statistics/rx_packets"),
    )


def _link(said: str | None) -> dict[str, Any]:
    with suppress(ValueError, TypeError, IndexError):
        first = json.loads(said or "")[0]
        if isinstance(first, dict):
            return first
    return {}


def asking(
    setup: Setup, daemon: DaemonSeen
) -> Iterator[Callable[[], Iterable[PackSeen]]]:
    """Yield what asks for packs: the running daemon, or else each over its own line.

    A line is never asked beside a daemon that may be using it.
    """
    if daemon.pid is not None:
        yield partial(_told, setup)
        return
    for spec in _sources(setup):
        if isinstance(spec.line, TcpLine | SerialLine) and not daemon.is_unsure:
            yield partial(_asked, spec, spec.line)
        elif spec.line is not None:
            why = "it is only listened to, by the daemon"
            if daemon.is_unsure:
                why = "a daemon that could not be asked may be using its line"
            yield partial(_unasked, spec, why)


def _unasked(spec: SourceSpec, why: str) -> tuple[PackSeen]:
    place = _place(spec.line)
    seen = PackSeen(name=spec.name, place=place, asked="", is_answering=None, said=why)
    return (seen,)


def _told(setup: Setup) -> Iterator[PackSeen]:
    """Return what the daemon says of its packs and sources."""
    said: dict[str, Any] = {}
    with suppress(control.ControlError):
        path = control.socket_path(setup.journal_folder)
        said = control.ask(path, {"do": "show"}).get("show") or {}
    every = (*said.get("packs", ()), *said.get("sources", ()))
    told = {each.get("name"): each for each in every}
    for spec in _sources(setup):
        seen = told.get(spec.name)
        age_s = None if seen is None else seen.get("age_s")
        yield PackSeen(
            name=spec.name,
            place=_place(spec.line),
            asked="the running daemon says",
            is_answering=None if seen is None else bool(seen.get("online")),
            said="never read" if age_s is None else f"last read {age_s:.1f} s ago",
        )


def _asked(spec: SourceSpec, line: TcpLine | SerialLine) -> tuple[PackSeen]:
    return (asyncio.run(_ask(spec, line)),)


async def _ask(spec: SourceSpec, line: TcpLine | SerialLine) -> PackSeen:
    """Ask one unit by Modbus reads."""
    build: BuildScanner = entry_points(group="tocsin.scanners")["modbus"].load()
    asking = ScanSpec(line=line, units=[spec.unit], timeout_ms=spec.timeout_ms)
    scanner = build(asking)
    with suppress(TimeoutError):
        async with asyncio.timeout(ASKING_S):
            await scanner.run()
    found = scanner.found()
    answers = [*found.batteries, *found.answers]
    said = "it answers" if answers else found.trouble or "no answer"
    return PackSeen(
        name=spec.name,
        place=_place(line),
        asked=f"asked as Modbus unit {spec.unit}",
        is_answering=bool(answers),
        said=said,
    )


def _place(line: TcpLine | SerialLine | CanLine | None) -> str:
    match line:
        case TcpLine():
            return f"{line.host}:{line.port}"
        case SerialLine():
            return line.device
        case CanLine():
            return line.channel if line.interface == LOG else f"CAN {line.channel}"
        case None:
            return "no line"


def _names(specs: Iterable[SourceSpec]) -> str:
    return ", ".join(spec.name for spec in specs)
