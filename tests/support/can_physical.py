"""The whole daemon on a CAN bus whose packs are the simulated physical battery.

Contactors follow the outputs, so what the daemon does comes back to it as voltage,
current and temperature. The bank's time is the daemon's; the bus is slower than both.
"""

from __future__ import annotations

import asyncio
import re
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from can_whole import FastClock
from tocsin import app
from tocsin.core.events import AlarmFact, OutputFact
from tocsin_config import load
from tocsin_drivers.simbus.can_serve import bank_dbc, hut_traffic, pumped
from tocsin_drivers.simbus.hut_dbc import signals_toml
from tocsin_drivers.simbus.slcan import SlcanPty
from whole_stage import Watcher

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable
    from pathlib import Path

    from tocsin.core.engine import Outcome
    from tocsin_drivers.simbus.bank import SimBank
    from tocsin_drivers.simbus.can_faults import CanTraffic

SPEED = 60.0
"""Of the daemon's and the bank's time to ours."""
BUS_SPEED = 12.0
"""Of the bus's time to ours: all cells come anew in the daemon's two or three seconds,
all temperatures in ten."""
MOST_S = 2.0
"""The bank moves on by no more at a time: on a busy machine it must not run away from
a daemon that had no turn."""
AGES = 8.0
"""Allowed ages of values are shorter by this, for the bus is faster."""
PATIENCE_S = 60.0

SITE = """\
[site]
name = "Fern Ridge hut"
[bank]
chemistry = "lfp"
capacity_ah = 280
cells_in_series = 16
[protection]
low_cell_v = 2.80
high_cell_v = 3.75
cold_charge_c = 0.0
[timing]
poll_s = 2
stale_s = 60
[gpio]
pins = "simulated"
[page]
enabled = false
[journal]
folder = "{folder}"
[[output]]
name = "charge"
role = "charge-permit"
min_off_s = 30
[[output]]
name = "drying"
role = "load-permit"
stage = 1
[[output]]
name = "lights"
role = "load-permit"
stage = 2
[[output]]
name = "horn"
role = "horn"
"""

FLAGS_ARE_ENOUGH = """\
# RV-C tells of no single cell; at this bench its flags shall be enough.
[[rule]]
name = "not-measured"
actions = []
"""

RVC_AGES = "max_age_s = { DC_SOURCE_STATUS_4 = 3, DC_SOURCE_STATUS_6 = 3 }\n"
INSTANCES = {"left": 1, "right": 3}


class QuickClock(FastClock):
    """The loop's time, but much faster."""

    speed = SPEED


@dataclass
class LiveHut:
    """The battery, its bus, and the daemon that hears it.

    Attributes:
        begun: The step at which the story began; what came before is not looked at.
    """

    folder: Path
    bank: SimBank
    traffic: CanTraffic
    serving: asyncio.Task[None]
    watcher: Watcher = field(default_factory=Watcher)
    begun: int = 0

    def begin(self) -> None:
        self.begun = len(self.watcher.outcomes)

    @property
    def outcomes(self) -> list[Outcome]:
        return self.watcher.outcomes[self.begun :]

    def level(self, output: str) -> bool:
        return self.levels().get(output, False)

    def levels(self) -> dict[str, bool]:
        if not self.watcher.outcomes:
            return {}
        newest = self.watcher.outcomes[-1]
        return {d.output: d.energised for d in newest.demands}

    def step_of(self, what: Callable[[Outcome], bool]) -> int:
        """Return the number of the step that first met *what*."""
        return next(i for i, outcome in enumerate(self.outcomes) if what(outcome))

    def alarms(self) -> list[AlarmFact]:
        return [f for f in self.watcher.facts if isinstance(f, AlarmFact)]

    def dropped_ms(self, output: str) -> int:
        """Return when an output dropped; a step that came late may drop several."""
        return min(
            fact.at_ms
            for outcome in self.outcomes
            for fact in outcome.facts
            if isinstance(fact, OutputFact)
            if fact.output == output and not fact.energised
        )

    async def sees(self, what: Callable[[], bool]) -> None:
        """Wait until *what* has come true."""
        async with asyncio.timeout(PATIENCE_S):
            while not what():
                if self.serving.done():
                    await self.serving
                await asyncio.sleep(0.02)


def energised(outcome: Outcome, output: str) -> bool:
    return next(d.energised for d in outcome.demands if d.output == output)


def raised(alarm: str, subject: str = "") -> Callable[[Outcome], bool]:
    """Return what sees the step in which *alarm* was raised."""

    def is_raised(outcome: Outcome) -> bool:
        return any(
            isinstance(fact, AlarmFact)
            and fact.alarm == alarm
            and fact.subject.startswith(subject)
            and fact.state == "unacknowledged"
            for fact in outcome.facts
        )

    return is_raised


def dropped(output: str) -> Callable[[Outcome], bool]:
    """Return what sees the step in which *output* was told to drop."""

    def is_dropped(outcome: Outcome) -> bool:
        return any(
            isinstance(fact, OutputFact)
            and fact.output == output
            and not fact.energised
            for fact in outcome.facts
        )

    return is_dropped


@asynccontextmanager
async def live_hut(
    folder: Path, bank: SimBank, **drivers: str
) -> AsyncIterator[LiveHut]:
    """Serve *bank* on a pty that speaks slcan, and run the daemon on it.

    *drivers* says how each pack is heard, ``dbc`` unless it says ``rv-c``.
    """
    traffic = hut_traffic(bank)
    (folder / "hut.dbc").write_text(bank_dbc(bank))
    path, watcher = folder / "site.toml", Watcher()
    follow: list[LiveHut] = []

    then_s = 0.0

    def move_on(bus_s: float) -> None:
        nonlocal then_s
        for hut in follow:
            bank.follow(hut.levels())
        passed_s = (bus_s - then_s) * SPEED / BUS_SPEED
        then_s = bus_s
        bank.advance(bank.now_s + min(passed_s, MOST_S))

    async with (
        SlcanPty(traffic.answers) as pty,
        pumped(traffic, pty, before=move_on, speed=BUS_SPEED),
    ):
        packs = [_pack(n, drivers.get(n, "dbc"), pty.device) for n in bank.packs]
        more = FLAGS_ARE_ENOUGH if "rv-c" in drivers.values() else ""
        head = SITE.format(folder=folder / "journal")
        path.write_text("".join([head, more, *packs]))
        serving = asyncio.ensure_future(
            app.serve(load(path), time=QuickClock(), guests=(watcher,))
        )
        hut = LiveHut(folder, bank, traffic, serving, watcher)
        follow.append(hut)
        try:
            yield hut
        finally:
            serving.cancel()
            with suppress(asyncio.CancelledError):
                await serving


def _pack(name: str, driver: str, device: str) -> str:
    table = (
        f'[[pack]]\nname = "{name}"\ndriver = "{driver}"\ninterface = "slcan"\n'
        f'channel = "{device}"\nbitrate = 250000\n'
    )
    if driver == "rv-c":
        return f"{table}instance = {INSTANCES[name]}\n{RVC_AGES}"
    return f'{table}file = "hut.dbc"\n{_hastened(signals_toml(name, 16))}'


def _hastened(signals: str) -> str:
    """Return signals whose allowed ages fit the faster bus, none below a second."""

    def shorter(match: re.Match[str]) -> str:
        return f"max_age_s = {max(1.0, float(match[1]) / AGES):g}"

    return re.sub(r"max_age_s = ([\d.]+)", shorter, signals)
