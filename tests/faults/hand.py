"""What goes wrong and what people do, planned from the seed and brought about."""

from __future__ import annotations

import asyncio
import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from tests.faults.people import EVIL
from tests.faults.sites import SHUNT

from tocsin import control
from tocsin.clock import iso_time
from tocsin.core.events import Verb
from tocsin.mqtt.commands import Heard

if TYPE_CHECKING:
    import random
    from collections.abc import Callable

    from tests.faults.life import Machine
    from tests.faults.people import People
    from tests.faults.tally import Story, Tally
    from tests.faults.wire import Device
    from tests.faults.world import World

DAY_S = 86_400.0
PREFIX = "homie/5/fern-ridge-hut/command"
EACH_DAY = {
    "bus silence": 2.0,
    "garbage bytes": 3.0,
    "duplicated frame": 3.0,
    "late frame": 3.0,
    "busy device": 3.0,
    "stuck value": 1.5,
    "impossible value": 2.0,
    "contradicting sources": 4.0,
    "clock forward": 4.0,
    "clock back": 4.0,
    "slow disk": 1.5,
    "full disk": 1.0,
    "failing disk": 1.0,
    "cut in a write": 4.0,
    "kill": 4.0,
    "stop": 2.0,
    "broker flap": 16.0,
    "broker refusing": 4.0,
    "broker mute": 4.0,
    "broker quota": 4.0,
    "relay write error": 2.0,
    "read-back mismatch": 8.0,
    "input chatter": 10.0,
    "input unreadable": 8.0,
    "late shell": 5.0,
    "load": 6.0,
    "wish": 16.0,
    "forbidden wish": 16.0,
    "proof": 3.0,
}
"""How often each is brought about in a day of a seed, where the site has what for."""

ALWAYS = {"load", "wish", "proof"}
"""What people do, as often in a calm campaign."""

CUTS = ("begin", "rows", "commit", "commit", "commit", "after commit", "file", "file")


@dataclass(frozen=True, slots=True, order=True)
class Plan:
    """Something to happen."""

    at_s: float
    what: str


def planned(
    chance: random.Random, begin_s: float, days: float, calm: float
) -> list[Plan]:
    """Return what happens, in order; faults *calm* times more rarely."""
    plans: list[Plan] = []
    for what, rate in EACH_DAY.items():
        at_s = begin_s
        each_s = DAY_S * (1.0 if what in ALWAYS else calm)
        while True:
            at_s += chance.expovariate(rate / each_s)
            if at_s >= begin_s + days * DAY_S:
                break
            plans.append(Plan(at_s, what))
    return sorted(plans)


class Hand:
    """Brings plans about on one machine."""

    def __init__(
        self,
        *,
        machine: Machine,
        world: World,
        devices: list[Device],
        people: People,
        chance: random.Random,
        tally: Tally,
        story: Story,
    ) -> None:
        self._machine = machine
        self._world = world
        self._devices = devices
        self._people = people
        self._chance = chance
        self._tally = tally
        self._story = story
        self._wishes = 0
        self._used: list[bytes] = []
        self._asking: set[asyncio.Task[Any]] = set()
        self._lasting: list[tuple[float, Callable[[], None]]] = []

    def begin(self) -> None:
        """Forget what a dead process was asked; plan again what lasts."""
        self._asking.clear()
        lasting, self._lasting = self._lasting, []
        now_s = self._machine.time.now_s
        for until_s, end in lasting:
            self._end_at(max(until_s, now_s + 0.01), end)

    def _end_at(self, until_s: float, end: Callable[[], None]) -> None:
        entry = until_s, end
        self._lasting.append(entry)

        def over() -> None:
            self._lasting.remove(entry)
            end()

        asyncio.get_running_loop().call_at(until_s, over)

    def do(self, plan: Plan) -> None:
        """Let it happen now."""
        self._story.tell(self._machine.time.now_s, f"* {plan.what}")
        do = getattr(self, "_" + plan.what.replace(" ", "_").replace("-", "_"), None)
        if do is not None:
            do()
        else:
            self._frames(plan.what)

    def _for(self, low_s: float, high_s: float, end: Callable[[], None]) -> None:
        now_s = self._machine.time.now_s
        self._end_at(now_s + self._chance.uniform(low_s, high_s), end)

    # --- the bus ----------------------------------------------------------------------

    def _frames(self, what: str) -> None:
        device = self._chance.choice(self._devices)
        device.once += [what] * self._chance.choice([1, 1, 2, 4])

    def _lasts(self, what: str, low_s: float, high_s: float) -> None:
        now_s = self._machine.time.now_s
        until_s = now_s + self._chance.uniform(low_s, high_s)
        self._chance.choice(self._devices).faults[what] = until_s

    def _bus_silence(self) -> None:
        stale_s = self._machine.setup.site.timing.stale_ms / 1000
        self._lasts(
            "bus silence", stale_s / 4, stale_s * self._chance.choice([1, 3]) + 60
        )

    def _stuck_value(self) -> None:
        self._lasts("stuck value", 60, 4_000)

    def _impossible_value(self) -> None:
        self._lasts("impossible value", 30, 600)

    def _contradicting_sources(self) -> None:
        self._world.extra_a = self._chance.choice([-1, 1]) * self._chance.uniform(
            40, 200
        )
        self._for(120, 1_500, lambda: setattr(self._world, "extra_a", 0.0))

    def _load(self) -> None:
        now_s = self._machine.time.now_s
        for_s = self._chance.uniform(300, 7_200)
        self._world.burst(now_s, for_s, self._chance.uniform(0.1, 0.7))

    # --- the machine ------------------------------------------------------------------

    def _clock_forward(self) -> None:
        self._tally.faults["clock forward"] += 1
        self._machine.time.jump(
            self._chance.choice([5, 120, 3_600, 5_000, 86_400 * 40])
        )

    def _clock_back(self) -> None:
        self._tally.faults["clock back"] += 1
        self._machine.time.jump(-self._chance.choice([5, 120, 3_600, 5_000, 86_400]))

    def _slow_disk(self) -> None:
        disk = self._machine.disk
        disk.slow_s = self._chance.choice([0.3, 1.0, 4.0, 8.0, 30.0])
        self._for(60, 3_600, lambda: setattr(disk, "slow_s", 0.0))

    def _full_disk(self) -> None:
        disk = self._machine.disk
        disk.is_full = True
        self._for(30, 3_600, lambda: setattr(disk, "is_full", False))

    def _failing_disk(self) -> None:
        disk = self._machine.disk
        disk.is_failing = True
        self._for(5, 900, lambda: setattr(disk, "is_failing", False))

    def _cut_in_a_write(self) -> None:
        self._machine.disk.cuts = self._chance.choice(CUTS)

    def _kill(self) -> None:
        self._tally.faults["kill"] += 1
        self._machine.kill()

    def _stop(self) -> None:
        self._tally.faults["stop"] += 1
        self._machine.stop()

    def _late_shell(self) -> None:
        self._tally.faults["late shell"] += 1
        self._machine.time.hold_up(self._chance.choice([0.5, 2.0, 5.0, 20.0, 90.0]))

    # --- the broker -------------------------------------------------------------------

    def _broker_flap(self) -> None:
        if self._machine.broker.link is not None:
            self._machine.broker.flap(self._chance.choice([0.1, 5.0, 60.0, 900.0]))

    def _broker_refusing(self) -> None:
        broker = self._machine.broker
        if broker.link is not None:
            broker.is_refusing = True
            broker.link.lose("the connection ended: administrative action")
            self._for(20, 600, lambda: setattr(broker, "is_refusing", False))

    def _broker_mute(self) -> None:
        broker = self._machine.broker
        broker.is_mute = True
        self._for(5, 300, lambda: setattr(broker, "is_mute", False))

    def _broker_quota(self) -> None:
        broker = self._machine.broker
        broker.is_full = True
        self._for(5, 300, lambda: setattr(broker, "is_full", False))

    # --- pins -------------------------------------------------------------------------

    def _relay_write_error(self) -> None:
        pins = self._machine.pins
        name = self._chance.choice(sorted(pins.levels))
        pins.stuck.add(name)
        self._for(1, 900, lambda: pins.stuck.discard(name))

    def _read_back_mismatch(self) -> None:
        inputs = self._machine.inputs
        if "seen" in inputs.levels:
            inputs.lying.add("seen")
            inputs.follow()
            self._for(30, 900, lambda: inputs.lying.discard("seen"))

    def _input(self) -> str | None:
        names = sorted(n for n in self._machine.inputs.levels if n != "seen")
        return self._chance.choice(names) if names else None

    def _input_chatter(self) -> None:
        name = self._input()
        if name is None:
            return
        loop, level = asyncio.get_running_loop(), bool(self._chance.randrange(2))
        for n in range(self._chance.randrange(5, 30)):
            level = not level
            after_s = n * self._chance.uniform(0.005, 0.08)
            loop.call_later(after_s, self._machine.inputs.turn, name, level)
        self._tally.faults["input chatter"] += 1
        if self._chance.random() < 0.7:
            self._for(3, 1_800, lambda: self._machine.inputs.turn(name, False))

    def _input_unreadable(self) -> None:
        name = self._input()
        if name is not None:
            self._tally.faults["input unreadable"] += 1
            self._machine.inputs.levels[name] = "broken wire"
            self._for(30, 900, lambda: self._machine.inputs.turn(name, False))

    # --- people -----------------------------------------------------------------------

    def _wish(self) -> None:
        """Ask for something that may be asked, over the control socket or MQTT."""
        self._wishes += 1
        by = f"hut-{self._wishes}"
        verb = self._chance.choice(list(Verb))
        site = self._machine.setup.site
        alarms = self._people.raised() or [(self._chance.choice(site.rules).name, "")]
        alarm, subject = self._chance.choice(alarms)
        named = self._chance.random() < 0.6 or verb in {Verb.SHELVE, Verb.REMOVE}
        for_ms = self._chance.choice([0, 60_000, 600_000, 3_600_000, 4_000_000])
        self._people.issued[by] = for_ms
        asked = {
            "do": verb.value,
            "by": by,
            "alarm": alarm if named else "",
            "subject": subject if named and self._chance.random() < 0.5 else "",
            "reason": "a test of the wires",
            "for_ms": for_ms,
        }
        broker = self._machine.setup.broker
        is_heard = broker is not None and broker.takes_commands
        if is_heard and self._chance.random() < 0.5:
            self._push(asked)
        elif self._machine.inbox is not None:
            self._spawn(
                control._done(
                    asked,
                    self._machine.inbox,
                    self._machine.snapshot,
                )
            )
            self._tally.counts["commands"] += 1

    def _push(self, asked: dict[str, Any], **changes: Any) -> None:
        told = {
            "id": f"id-{self._wishes}",
            "at": iso_time(self._machine.time.wall_ms()),
            **{k: v for k, v in asked.items() if k not in {"do", "for_ms"}},
            "for_s": asked["for_ms"] / 1000,
        }
        told |= {k: v for k, v in changes.items() if k in told}
        payload = changes.get("payload", json.dumps(told).encode())
        heard = Heard(
            topic=f"{PREFIX}/{asked['do']}/set",
            payload=payload,
            is_retained=changes.get("is_retained", False),
        )
        if self._machine.broker.push(heard):
            self._tally.counts["commands"] += 1

    def _forbidden_wish(self) -> None:
        """Send what nobody may: kept by the broker, old, used, or not switched on."""
        broker = self._machine.setup.broker
        if broker is None:
            return
        self._wishes += 1
        asked = {
            "do": self._chance.choice(["silence", "acknowledge", "generator-request"]),
            "by": f"{EVIL}-{self._wishes}",
            "for_ms": 600_000,
        }
        self._tally.faults["forbidden command"] += 1
        wall_ms = self._machine.time.wall_ms()
        off_ms = self._chance.choice([-3_600_000, -61_000, 61_000])
        kinds: list[dict[str, Any]] = [
            {"is_retained": True},
            {"at": iso_time(wall_ms + off_ms)},
            {"id": ""},
        ]
        if not broker.is_commanded or broker.protocol != "5":
            kinds = [{}, *kinds]
        self._push(asked, **kinds[self._chance.randrange(len(kinds))])

    def _proof(self) -> None:
        """Prove an output, and hang up some time later."""
        door = self._machine.doors.get("prove")
        if door is None:
            return
        self._tally.counts["proofs"] += 1
        rule = self._chance.choice(self._machine.setup.site.rules)
        reader = asyncio.StreamReader()
        for_ms = self._chance.choice([10_000, 120_000, 300_000])
        asked = {"alarm": rule.name, "by": "hut", "for_ms": for_ms}
        self._spawn(door(asked, reader, _Paper()))
        self._for(5, 200, reader.feed_eof)

    def _spawn(self, work: Any) -> None:
        task = asyncio.get_running_loop().create_task(work)
        self._asking.add(task)
        task.add_done_callback(self._asking.discard)


class _Paper:
    """Takes lines."""

    def write(self, line: bytes) -> None:
        """Take one."""

    async def drain(self) -> None:
        """Wait for nothing."""


def shunt_of(devices: list[Device]) -> Device | None:
    """Return the shunt, if the site has one."""
    return next((each for each in devices if each.name == SHUNT), None)
