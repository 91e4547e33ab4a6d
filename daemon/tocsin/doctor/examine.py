"""All looks, one after the other, and what is to be said of each."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, TypeVar

from tocsin.doctor import (
    judge_bus,
    judge_disk,
    judge_house,
    judge_machine,
    judge_pins,
    judge_service,
    probe_house,
    probe_machine,
    probe_service,
    probe_wires,
)
from tocsin.doctor.finding import Finding, Topic, untold, worst_first, wrong
from tocsin.doctor.machine import LOOK_S, HangsError, Machine, within
from tocsin.doctor.seen import DaemonSeen, ServiceSeen

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from tocsin_config import Setup

T = TypeVar("T")

PATIENCE = {Topic.JOURNAL: 6}
"""Looks that may rightly take so many times as long: a journal is read whole."""


def examine(
    setup: Setup,
    *,
    unit: str = "tocsin.service",
    machine: Machine | None = None,
    look_s: float = LOOK_S,
    on_look: Callable[[str], None] = lambda _: None,
) -> list[Finding]:
    """Return what is to be said of this machine, worst first.

    Args:
        setup: The site that is, or will be, watched from here.
        unit: The service manager's name for the daemon.
        machine: A machine in place of this one, for tests.
        look_s: How long each look may take.
        on_look: Told what is looked at next.
    """
    return worst_first(
        [*Looks(setup, unit, machine or Machine(), look_s, on_look).all()]
    )


class Looks:
    """The looks at one machine. A look that fails or hangs becomes a finding."""

    def __init__(
        self,
        setup: Setup,
        unit: str,
        machine: Machine,
        look_s: float,
        on_look: Callable[[str], None],
    ) -> None:
        self._setup, self._unit = setup, unit
        self._machine, self._look_s, self._on_look = machine, look_s, on_look
        self._lost: list[Finding] = []

    def all(self) -> Iterator[Finding]:
        """Yield every finding."""
        setup, machine = self._setup, self._machine
        site = str(setup.path.absolute())
        service = self._see(
            Topic.SERVICE, partial(probe_service.service, machine, self._unit, site)
        ) or ServiceSeen(unit=self._unit, site=site, trouble="it could not be asked")
        asked = self._see(Topic.DAEMON, partial(probe_service.daemon, setup))
        daemon = asked or DaemonSeen(
            socket="", own_version="", own_sha256="", trouble="it could not be asked"
        )
        yield from judge_service.judge_service(service)
        if asked is not None:
            yield from judge_service.judge_daemon(asked)
        dogs = self._see(Topic.WATCHDOG, partial(probe_service.watchdog, machine))
        if dogs is not None:
            yield from judge_service.judge_watchdogs(service, dogs, daemon)
        yield from self._wires(service, daemon)
        yield from self._house(service, daemon)
        yield from self._lost

    def _wires(self, service: ServiceSeen, daemon: DaemonSeen) -> Iterator[Finding]:
        setup, machine, pid = self._setup, self._machine, daemon.pid
        who = probe_service.who(machine, service, pid)
        pins = partial(probe_wires.pins, machine, setup, who, daemon)
        yield from self._one(Topic.PINS, pins, judge_pins.judge_pins)
        serials = partial(probe_wires.serials, machine, setup, who, pid)
        yield from self._each(Topic.BUS, serials, judge_bus.judge_serial)
        cans = partial(probe_wires.cans, machine, setup)
        yield from self._each(Topic.BUS, cans, judge_bus.judge_can)
        for ask in probe_wires.asking(setup, daemon):
            yield from self._each(Topic.BUS, ask, judge_bus.judge_pack)

    def _house(self, service: ServiceSeen, daemon: DaemonSeen) -> Iterator[Finding]:
        setup, machine = self._setup, self._machine
        who = probe_service.who(machine, service, daemon.pid)
        folder = setup.journal_folder
        clock = partial(probe_machine.clock, machine, folder)
        yield from self._one(Topic.CLOCK, clock, judge_machine.judge_clock)
        disk = partial(probe_machine.disk, machine, folder, who)
        yield from self._one(Topic.DISK, disk, judge_disk.judge_disk)
        journal = partial(probe_house.journal, folder)
        yield from self._one(Topic.JOURNAL, journal, judge_house.judge_journal)
        here = partial(probe_machine.board, machine)
        yield from self._one(Topic.MACHINE, here, judge_machine.judge_machine)
        brokers = partial(probe_house.brokers, setup)
        yield from self._each(Topic.BROKER, brokers, judge_house.judge_broker)
        secrets = partial(probe_house.secrets, setup, who)
        yield from self._each(Topic.SECRETS, secrets, judge_house.judge_secret)
        dates = partial(probe_house.certificates, machine, setup)
        yield from self._each(Topic.SECRETS, dates, judge_house.judge_certificate)
        software = partial(probe_house.software, setup)
        yield from self._one(Topic.SOFTWARE, software, judge_house.judge_software)

    def _one(
        self,
        topic: Topic,
        see: Callable[[], T],
        judge: Callable[[T], Iterable[Finding]],
    ) -> Iterator[Finding]:
        yield from self._each(topic, lambda: (see(),), judge)

    def _each(
        self,
        topic: Topic,
        see: Callable[[], Iterable[T]],
        judge: Callable[[T], Iterable[Finding]],
    ) -> Iterator[Finding]:
        for seen in self._see(topic, lambda: tuple(see())) or ():
            yield from judge(seen)

    def _see(self, topic: Topic, see: Callable[[], T]) -> T | None:
        self._on_look(topic)
        try:
            return within(self._look_s * PATIENCE.get(topic, 1), see)
        except HangsError as exc:
            self._lost.append(
                wrong(
                    topic,
                    f"the look at {topic}",
                    str(exc),
                    "something there hangs: a disk, a bus, a name server",
                    "look at dmesg; run doctor again once it is mended",
                )
            )
        except Exception as exc:  # noqa: BLE001 one look must not spoil the others
            self._lost.append(
                untold(
                    topic,
                    f"the look at {topic}",
                    f"it failed: {str(exc) or type(exc).__name__}",
                    "how this is, is not known",
                    "run doctor as root; if it fails there too, that is a fault of it",
                )
            )
        return None
