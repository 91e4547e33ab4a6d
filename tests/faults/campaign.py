"""One seed: a site, a bank, a plan of what goes wrong, and runs of the daemon."""

from __future__ import annotations

import asyncio
import random
import shutil
import tempfile
import traceback
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any
from unittest.mock import patch

from tests.faults.broker import Broker
from tests.faults.checks import Checks, require
from tests.faults.disk import Disk
from tests.faults.hand import DAY_S, Hand, planned
from tests.faults.life import Machine
from tests.faults.loop import BEGINNING_S, Time
from tests.faults.people import Kept, People
from tests.faults.pins import Inputs, Pins
from tests.faults.sites import SENSORS, SHUNT, site
from tests.faults.tally import BrokenError, Story, Tally
from tests.faults.wire import Device, Line, registers_of
from tests.faults.world import World

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from tests.faults.hand import Plan

    from tocsin.core.engine import Outcome
    from tocsin.core.events import Fact
    from tocsin.ports import SourceSpec

MIDNIGHT_MS = 1_768_521_600_000
DENSE_EVERY = 25
"""Every so manieth seed polls fast, with the daemon's own pace in everything."""

DENSE_DAYS = 0.05
SPARSE = {
    "tocsin.shell.LOOK_MS": 60_000,
    "tocsin.memory.LOOK_EVERY_S": 60.0,
    "tocsin.memory.LEARNED_EVERY_S": 21_600.0,
    "tocsin.mqtt.tree.VALUE_AGAIN_S": 3_300,
    "tocsin.mqtt.tree.VALUE_EXPIRES_S": 7_200,
    "tocsin.mqtt.publisher.SHOW_S": 600.0,
}
"""What a sparse seed does less often than the daemon would: look at inputs that have
no edges, look whether counts must be saved, save what was learned, send again to the
broker what has not changed."""


@dataclass
class Result:
    """What came of a seed.

    Attributes:
        failure: Which invariant was broken, or which exception ended the daemon.
    """

    seed: int
    days: float
    tally: Tally
    digest: str
    failure: str = ""
    story: list[str] = field(default_factory=list)


CALMER = 5
"""A calm seed does what is in `SPARSE` so many times less often again."""


def run_seed(seed: int, *, days: float, calm: float = 1.0) -> Result:
    """Simulate one seed and check it all the way.

    *calm* is how many times more rarely something goes wrong.
    """
    home = Path(tempfile.mkdtemp(dir="/dev/shm" if Path("/dev/shm").is_dir() else None))
    is_dense = seed % DENSE_EVERY == 0
    paces = [] if is_dense else [patch(*pace) for pace in _paces(calm)]
    days = min(days, DENSE_DAYS) if is_dense else days
    try:
        for pace in paces:
            pace.start()
        return _Seed(seed, days, home, is_dense=is_dense, calm=calm).run()
    finally:
        for pace in paces:
            pace.stop()
        shutil.rmtree(home, ignore_errors=True)


def _paces(calm: float) -> list[tuple[str, float]]:
    if calm == 1:
        return [*SPARSE.items()]
    return [(name, pace * CALMER) for name, pace in SPARSE.items()]


class _Guest:
    """Hears what the rooms of the daemon hear."""

    def __init__(self, seed: _Seed) -> None:
        self._seed = seed

    def tell(self, facts: Sequence[Fact]) -> None:
        """Take facts."""
        self._seed.told(facts)

    def stepped(self, outcome: Outcome) -> None:
        """Take a step."""
        self._seed.stepped(outcome)


class _Seed:
    """Everything of one seed."""

    def __init__(
        self, seed: int, days: float, home: Path, *, is_dense: bool, calm: float
    ) -> None:
        def chance(what: str) -> random.Random:
            return random.Random(f"{seed} {what}")

        self.seed, self.days = seed, days
        self.tally, self.story = Tally(), Story(home)
        self.setup = site(chance("site"), home, is_dense=is_dense, calm=calm)
        begins_s = chance("hour").uniform(0, DAY_S)
        self.time = Time(start_wall_ms=MIDNIGHT_MS + round(begins_s * 1000))
        (home / "disk").mkdir()
        self.disk = Disk(self.time, home / "disk", chance("disk"), self.tally)
        self.pins = Pins(self.setup, self.tally)
        self.inputs = Inputs(self.setup, self.pins, self.tally)
        self.world = World(
            self.setup,
            chance("world"),
            self.pins.levels,
            begins_s=begins_s - BEGINNING_S,
        )
        self.broker = Broker(self.time, chance("broker"), self.tally, self.story)
        self.checks = Checks(self.setup, self.time)
        self.people = People(self.setup, self.time, self.checks)
        self.kept = Kept()
        self.devices: list[Device] = []
        lines = self._lines(chance)
        self.machine = Machine(
            self.setup,
            time=self.time,
            disk=self.disk,
            pins=self.pins,
            inputs=self.inputs,
            lines=lines,
            broker=self.broker,
        )
        self.machine.on_written = self.written
        self.pins.on_hold = self.held
        hand = chance("hand")
        self.hand = Hand(
            machine=self.machine,
            world=self.world,
            devices=self.devices,
            people=self.people,
            chance=hand,
            tally=self.tally,
            story=self.story,
        )
        self.plans = planned(hand, BEGINNING_S, days, calm)
        if is_dense:
            self.plans = _denser(self.plans, hand, days, calm)
        self.end_s = BEGINNING_S + days * DAY_S
        self.broken = ""

    def _lines(self, chance: Any) -> dict[tuple[str, int], Line]:
        lines: dict[tuple[str, int], Line] = {}
        for spec in (*self.setup.sources, *self.setup.extras):
            where: Any = spec.line
            at = where.host, where.port
            if at not in lines:
                lines[at] = Line(
                    self.time,
                    is_rtu=where.framing == "rtu",
                    chance=chance(f"line {at}"),
                    tally=self.tally,
                    timeout_s=spec.timeout_ms / 1000,
                )
            device = self._device(spec)
            lines[at].units[spec.unit] = device
            self.devices.append(device)
        return lines

    def _device(self, spec: SourceSpec) -> Device:
        def look() -> tuple[list[int], Any]:
            now_s = self.time.now_s
            if spec.name == SHUNT:
                self.tally.faults["contradicting sources"] += bool(self.world.extra_a)
                shunt_ma = self.world.shunt_ma(now_s) & 0xFFFF_FFFF
                return [shunt_ma >> 16, shunt_ma & 0xFFFF], None
            shown = self.world.shown(spec.name, now_s, sensors=SENSORS)
            return registers_of(shown), shown

        return Device(spec.name, look, self.heard)

    # --- what the world sees ----------------------------------------------------------

    def heard(self, name: str, shown: Any, is_good: bool) -> None:  # noqa: FBT001 as the wire calls it
        """Note a sample that reached the daemon."""
        self.tally.counts["samples"] += 1
        self._checked(lambda: self.checks.told(name, shown, is_good))

    def held(self, wanted: Mapping[str, bool]) -> None:
        """Check levels about to be held."""
        was = self.pins.wanted
        changed = {k: v for k, v in wanted.items() if was[k] is not v}
        if changed:
            self.tally.counts["output changes"] += len(changed)
            self.story.tell(self.time.now_s, f"  pins {changed}")
        waited_s, self.disk.waited_s = self.disk.waited_s, 0.0

        def check() -> None:
            require(not waited_s, 10, f"a step waited {waited_s:.3f} s for the disk")
            self.checks.held(was, wanted, is_end=self.pins.is_closing)
            self.people.held(was, wanted)

        self._checked(check)
        if changed and self.inputs.levels:
            asyncio.get_running_loop().call_soon(self.inputs.follow)

    def told(self, facts: Sequence[Fact]) -> None:
        """Check what people are told."""
        for fact in facts:
            self.tally.counts["facts"] += 1
            kind = type(fact).__name__
            self.tally.counts["alarms"] += (
                kind == "AlarmFact" and getattr(fact, "state", "") == "unacknowledged"
            )
            self.story.tell(self.time.now_s, f"  {_shortly(fact)}")
        self._checked(lambda: self.people.tell(facts))

    def stepped(self, outcome: Outcome) -> None:
        """Check after the step."""
        del outcome
        self.tally.counts["steps"] += 1
        self._checked(self._after_step)

    def _after_step(self) -> None:
        self.people.owe()
        self.people.limited()

    def written(self, facts: Sequence[Fact], is_durable: bool) -> None:  # noqa: FBT001 as the journal calls it
        """Note what the journal reports."""
        self.tally.counts["rows" if is_durable else "rows not kept"] += len(facts)
        self.kept.written(f"run-{self.machine.runs}", facts, is_durable=is_durable)

    def _checked(self, check: Any) -> None:
        if self.broken or self.disk.is_dead:
            return
        try:
            check()
        except BrokenError as exc:
            self.broken = str(exc)
            self.story.tell(self.time.now_s, f"! {exc}")
            if self.machine.loop is not None:
                self.machine.kill()

    # --- the course of it -------------------------------------------------------------

    def run(self) -> Result:
        """Run to the end, or to the first broken invariant."""
        failure = ""
        while not failure and self.time.now_s < self.end_s - 1:
            failure = self._life()
        if not failure:
            self._checked_end()
            failure = self.broken
        self.tally.counts["runs"] += self.machine.runs
        return Result(
            seed=self.seed,
            days=(min(self.time.now_s, self.end_s) - BEGINNING_S) / DAY_S,
            tally=self.tally,
            digest=self.story.digest,
            failure=failure,
            story=list(self.story.lines) if failure else [],
        )

    def _life(self) -> str:
        self.checks.begin()
        self.people.begin()
        self.story.tell(self.time.now_s, "* the daemon starts")
        self.disk.waited_s = 0.0
        ended = self.machine.run(_Guest(self), self._begun)
        if self.broken:
            return self.broken
        if isinstance(ended, BaseException):
            text = "".join(traceback.format_exception(ended))
            return f"0: the daemon ended by itself: {ended!r}\n{text}"
        if wrong := self._checked_end():
            return wrong
        self.story.tell(self.time.now_s, "* it has ended")
        self.disk.revive()
        self.time.now_s += self.broker.chance.choice([0.1, 2.0, 2.0, 60.0])
        return ""

    def _begun(self) -> None:
        loop = asyncio.get_running_loop()
        self.hand.begin()
        now_s = self.time.now_s
        self.plans = [plan for plan in self.plans if plan.at_s > now_s]
        for plan in self.plans:
            loop.call_at(plan.at_s, self._do, plan)
        loop.call_at(self.end_s, self._over)

    def _do(self, plan: Plan) -> None:
        if not self.disk.is_dead:
            if plan.what == "kill":
                self._shown()
            self.hand.do(plan)

    def _over(self) -> None:
        self._shown()
        self.machine.kill()

    def _shown(self) -> None:
        self._checked(lambda: self.people.compare(self.machine.snapshot()))

    def _checked_end(self) -> str:
        try:
            self.kept.compare(self.disk.folder)
        except BrokenError as exc:
            return str(exc)
        return ""


def _denser(
    plans: list[Plan], hand: random.Random, days: float, calm: float
) -> list[Plan]:
    more = list(plans)
    for _ in range(int(0.3 / days)):
        more += planned(hand, BEGINNING_S, days, calm)
    return sorted(more)


def _shortly(fact: Fact) -> str:
    """Return a fact for the story, without its long words."""
    parts = [type(fact).__name__.removesuffix("Fact").lower()]
    for name in (
        *("alarm", "subject", "was", "state", "output", "energised", "because"),
        *("pack", "reason", "verb", "by", "accepted", "outcome", "what", "text"),
    ):
        value = getattr(fact, name, None)
        if value not in {None, ""} if not isinstance(value, tuple) else value:
            parts.append(f"{name}={value}")
    return " ".join(parts)[:240]
