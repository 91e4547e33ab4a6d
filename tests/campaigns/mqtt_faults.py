"""Breaks the way to the broker in every way, and looks at what the broker then keeps.

    python -m tests.campaigns.mqtt_faults                   # about fifteen minutes
    python -m tests.campaigns.mqtt_faults killed --times 3  # one fault

A core is played with 300 values that change every second and alarms that come and go;
the real publisher tells it to a real mosquitto through a proxy. After each fault:

- the retained state equals the core's state (every cell, alert and output);
- every event of the journal was acknowledged, in its order;
- nobody sees ``ready`` once it expired.

Printed: how often, and the time from the end of the fault until ``ready`` is back.
Exit code 0: all of that held.
"""

from __future__ import annotations

import argparse
import asyncio
import signal
import statistics
import sys
import tempfile
import time
from contextlib import ExitStack, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

import broker
from core_builders import CHARGE, low_rule, output, reading, rule, site
from mqtt_proxy import proxied
from mqtt_stage import ROOT, STATE, Stage, stage
from mqtt_victim import victim
from tocsin.clock import stopwatch_s
from tocsin.core.alarm import HIDDEN, AlarmState
from tocsin.core.rules import Role
from tocsin.core.site import Timing
from tocsin.mqtt import messages, pause

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable

    from mqtt_proxy import Proxy
    from tocsin.core.site import Site

PACKS, CELLS = 9, 32
KEEPALIVE_S = 5
EXPIRES_S = 8
DAY_MS = 86_400_000
QUIET_S = 2.2
"""So long after the last change the newest value of each topic has been sent."""

LONGEST_S = 60.0


@dataclass
class Run:
    """One publisher under fire."""

    running: broker.Broker
    proxy: Proxy
    on: Stage
    at_ms: int = 1_000
    turn: int = 0
    healed: int = 0
    recovered_s: list[float] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)

    def change(self) -> None:
        """Let every pack be read with other values, and an alarm come or go."""
        self.at_ms += 1_000
        self.turn += 1
        for i, pack in enumerate(self.on.player.site.pack_at):
            cells = [3_300 + (self.turn * 7 + 3 * c + i) % 60 for c in range(CELLS)]
            if i == self.turn % PACKS:
                cells[0] = 3_650 if self.turn % 2 else 2_900
            self.on.play(reading(self.at_ms, *cells, pack=pack))

    async def changing(self, for_s: float) -> None:
        """Change everything once a second."""
        until_s = stopwatch_s() + for_s
        while stopwatch_s() < until_s:
            self.change()
            await self.living(1.0)

    async def living(self, for_s: float) -> None:
        """Decide on, and change nothing."""
        until_s = stopwatch_s() + for_s
        while stopwatch_s() < until_s:
            self.on.publisher.alive()
            await asyncio.sleep(0.05)

    async def recovered(self, since_s: float, *, is_lost: bool = True) -> None:
        """Wait until the broker has everything again, and look.

        *is_lost*: the connection is sure to break, if only in a moment.
        """
        life, feed = self.on.publisher._life, self.on.publisher._archive.feed
        with suppress(TimeoutError):
            async with asyncio.timeout(LONGEST_S):
                while is_lost and self.on.troubles.count("") == self.healed:
                    await self.living(0.02)
                self.healed = self.on.troubles.count("")
                while not (self.on.publisher._is_open and life.is_announced):
                    await self.living(0.05)
                self.recovered_s.append(stopwatch_s() - since_s)
                while feed:
                    await self.living(0.05)
        await self.living(QUIET_S)
        await self.sent()
        kept = await asyncio.to_thread(self.kept)
        self.wrong += differences(self.on, kept)
        self.wrong += self.lost_events()

    async def sent(self) -> None:
        """Wait until nothing is to be sent and nothing is on its way: for a moment."""
        publisher = self.on.publisher
        with suppress(TimeoutError):
            async with asyncio.timeout(LONGEST_S):
                while publisher._outbox or publisher._in_flight:
                    await self.living(0.01)

    def kept(self) -> dict[str, bytes]:
        """Return what the broker keeps, asked past the proxy."""
        with broker.listening(self.running.port, is_late=True) as ears:
            with suppress(BaseException):
                ears.wait_for(lambda: STATE in ears.kept)
            seen = -1
            while seen != len(ears.messages):
                seen = len(ears.messages)
                time.sleep(0.5)
            return {topic: payload for topic, payload in ears.kept.items() if payload}

    def lost_events(self) -> list[str]:
        """Return what is wrong with the events that were acknowledged."""
        epoch = self.on.journal.run_id
        first = [key for key in dict.fromkeys(self.proxy.acked) if key[0] == epoch]
        rows = [(row.run_id, row.seq) for row in self.on.journal.rows]
        missing = [key for key in rows if key not in set(first)]
        said = [f"{len(missing)} events lost, as {missing[0]}"] if missing else []
        return said + ([] if first == sorted(first) else ["events out of order"])


def differences(on: Stage, kept: dict[str, bytes]) -> list[str]:
    """Return where what the broker keeps is not what the core has; own arithmetic."""
    outcome, wrong = on.player.outcomes[-1], list[str]()
    if kept.get(STATE) != b"ready":
        wrong.append(f"$state is {kept.get(STATE)!r}")
    for pack, state in zip(on.player.site.bank.packs, outcome.state.packs, strict=True):
        for number, mv in enumerate(state.sample.cells_mv if state.sample else ()):
            topic = f"{ROOT}-{pack.name}/cells/c{number + 1:02d}"
            said = kept.get(topic, b"nan")
            if not abs(float(said) - mv / 1000) < 0.0021:
                wrong.append(f"{topic} is {said!r}, the core has {mv} mV")
    wanted = {
        f"{ROOT}-{alarm.subject}/$alert/{on.player.site.rules[alarm.index].name}"
        for alarm in outcome.state.alarms
        if alarm.state not in HIDDEN | {AlarmState.NORMAL}
    }
    found = {topic for topic in kept if "/$alert/" in topic}
    if wanted != found:
        wrong.append(f"alerts differ: {sorted(wanted ^ found)[:3]}")
    for demand in outcome.demands:
        level = kept.get(f"{ROOT}/output-{demand.output}/energised")
        if level != str(demand.called).lower().encode():
            wrong.append(f"output {demand.output} is {level!r}")
    return wrong


# --- faults ------------------------------------------------------------------------


async def killed(run: Run, times: int) -> None:
    """Kill the broker, which forgets everything, and start it again."""
    for _ in range(times):
        await run.changing(1.2)
        run.change()
        run.running.stop()
        await run.changing(1.0)
        await asyncio.to_thread(run.running.start)
        await run.recovered(stopwatch_s())


async def frozen(run: Run, times: int) -> None:
    """Stop the broker's process for longer than the keepalive, and let it go on."""
    for _ in range(times):
        await run.changing(1.2)
        run.running.send_signal(signal.SIGSTOP)
        await run.changing(3 * KEEPALIVE_S)
        run.running.send_signal(signal.SIGCONT)
        await run.recovered(stopwatch_s())


async def silent(run: Run, times: int) -> None:
    """Lose everything on the way, both ways, without closing a connection."""
    for _ in range(times):
        await run.changing(1.2)
        run.proxy.freeze(is_frozen=True)
        await run.changing(3 * KEEPALIVE_S)
        run.proxy.freeze(is_frozen=False)
        await run.recovered(stopwatch_s())


async def reset(run: Run, times: int) -> None:
    """Break the connection with RST in the middle of changes."""
    for _ in range(times):
        await run.changing(1.2)
        run.change()
        await asyncio.sleep(0.002)
        run.proxy.reset()
        await run.recovered(stopwatch_s())


async def refused(run: Run, times: int) -> None:
    """Let nobody connect for a while."""
    for _ in range(times):
        await run.changing(1.2)
        run.proxy.refuse(is_refusing=True)
        await run.changing(4.0)
        run.proxy.refuse(is_refusing=False)
        await run.recovered(stopwatch_s())


async def stalled(run: Run, times: int) -> None:
    """Block the daemon's loop for 12 s: ready must run out although paho lives."""
    for _ in range(times):
        await run.changing(1.2)
        looking = asyncio.create_task(asyncio.to_thread(_look_later, run))
        await asyncio.sleep(0.1)
        time.sleep(12)  # noqa: ASYNC251 that is the fault
        since_s = stopwatch_s()
        run.wrong += await looking
        await run.recovered(since_s, is_lost=False)


def _look_later(run: Run) -> list[str]:
    time.sleep(EXPIRES_S + 1.5)
    with broker.listening(run.running.port, is_late=True) as ears:
        with suppress(BaseException):
            ears.wait_for(lambda: f"{ROOT}/$description" in ears.kept)
        time.sleep(0.3)
        is_seen = ears.kept.get(STATE) == b"ready"
    return ["ready was seen although nothing decided"] if is_seen else []


async def jumped(run: Run, times: int) -> None:
    """Set the daemon's clock a day ahead, and back."""
    for number in range(times):
        await run.changing(1.2)
        run.on.wall_ms += DAY_MS if number % 2 == 0 else -2 * DAY_MS
        since_s = stopwatch_s()
        await run.changing(1.2)
        await run.recovered(since_s, is_lost=False)


async def twins(run: Run, times: int) -> None:
    """Two daemons with one client id throw each other out until one gives way."""
    for number in range(times):
        folder = Path(tempfile.mkdtemp())
        how: dict[str, Any] = {"of": _site(), "keepalive_s": KEEPALIVE_S}
        other = stage(run.proxy.port, folder, run_id="other", **how)
        async with other.publisher:
            other.play(reading(1_000, *[3_300] * CELLS, pack="p0"))
            until_s = stopwatch_s() + 40
            while stopwatch_s() < until_s and not _is_told(run, other):
                other.publisher.alive()
                await run.living(0.2)
        if not _is_told(run, other):
            run.wrong.append(f"nobody said that there are two ({number})")
        since_s = stopwatch_s()
        await run.recovered(since_s)


def _is_told(*runs: Run | Stage) -> bool:
    troubles = [r.on.troubles if isinstance(r, Run) else r.troubles for r in runs]
    return any("another client" in text for told in troubles for text in told)


async def bootless(run: Run, times: int) -> None:
    """Start without a broker, which comes seconds later."""
    del times
    run.change()
    await run.changing(4.0)
    await asyncio.to_thread(run.running.start)
    await run.recovered(stopwatch_s())


FAULTS: dict[str, tuple[Callable[[Run, int], Awaitable[None]], int]] = {
    "killed": (killed, 100),
    "frozen": (frozen, 3),
    "silent": (silent, 3),
    "reset": (reset, 25),
    "refused": (refused, 5),
    "stalled": (stalled, 2),
    "jumped": (jumped, 4),
    "twins": (twins, 1),
    "bootless": (bootless, 1),
}


def _site() -> Site:
    return site(
        rule(actions=(CHARGE,)),
        low_rule(),
        packs=tuple(f"p{n}" for n in range(PACKS)),
        cells=CELLS,
        outputs=[output("charge", Role.CHARGE_PERMIT), output("horn", Role.HORN)],
        timing=Timing(good_scans=1),
    )


async def play(name: str, times: int, folder: Path) -> Run:
    """Run one fault; return what was found."""
    work, _ = FAULTS[name]
    with ExitStack() as stack:
        running = broker.Broker(folder)
        stack.callback(running.stop)
        if name != "bootless":
            running.start()
        proxy = stack.enter_context(proxied(running.port))
        on = stage(proxy.port, folder, of=_site(), keepalive_s=KEEPALIVE_S)
        run = Run(running, proxy, on)
        async with on.publisher:
            run.change()
            await work(run, times)
        return run


def dead_daemon(folder: Path) -> list[str]:
    """Lose broker and daemon at once, the broker with all it kept: a power cut."""
    more = f"allow_anonymous true\npersistence true\npersistence_location {folder}/\n"
    with broker.running(folder, more=more) as running:
        with (
            broker.listening(running.port) as ears,
            victim(running.port, folder, expires_s=4) as daemon,
        ):
            ears.wait_for(lambda: ears.kept.get(STATE) == b"ready")
            daemon.send_signal(signal.SIGSTOP)
            running.send_signal(signal.SIGUSR1)
            time.sleep(0.5)
            running.stop()
            daemon.kill()
        time.sleep(4.5)
        running.start()
        with broker.listening(running.port, is_late=True) as late:
            late.wait_for(lambda: f"{ROOT}/$description" in late.kept)
            time.sleep(0.3)
            return ["ready after its time"] if STATE in late.kept else []


def told(name: str, run: Run) -> str:
    """Return a line of what happened."""
    times = sorted(run.recovered_s) or [float("nan")]
    return (
        f"{name:9} {len(run.recovered_s):3} times, back after "
        f"{statistics.median(times):5.2f} s (most {times[-1]:.2f} s), "
        f"{len(run.on.journal.rows)} events, {run.proxy.messages} messages, "
        f"{'all held' if not run.wrong else f'{len(run.wrong)} WRONG'}"
    )


def main() -> int:
    """Run the faults that were asked for; return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("faults", nargs="*", choices=[[], *FAULTS, "dead"], default=[])
    parser.add_argument("--times", type=int, help="how often each (default: its own)")
    args = parser.parse_args()
    messages.STATE_EXPIRES_S, messages.STATE_AGAIN_S = EXPIRES_S, 2
    pause.TAKEN_WAIT_S = 5
    code = 0
    for name in args.faults or [*FAULTS, "dead"]:
        with tempfile.TemporaryDirectory() as folder:
            if name == "dead":
                wrong = dead_daemon(Path(folder))
                print(f"dead      broker and daemon at once: {wrong or 'all held'}")
            else:
                times = args.times or FAULTS[name][1]
                run = asyncio.run(play(name, times, Path(folder)))
                print(told(name, run), flush=True)
                wrong = run.wrong
        for text in wrong[:5]:
            print(f"  WRONG: {text}")
            code = 1
    return code


if __name__ == "__main__":
    sys.exit(main())
