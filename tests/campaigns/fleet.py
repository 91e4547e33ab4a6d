"""Many sites, one broker, one database, and collectors that are killed.

    python -m tests.campaigns.fleet                       # 200 sites, ten minutes
    python -m tests.campaigns.fleet --sites 20 --seconds 60

Every site is the daemon's own link to a fleet (`tocsin.mqtt.uplink`, its thread, its
connection, its queue from a journal) told by a core that is played: batteries without a
bus, journals in memory. An alarm comes or goes at each every few seconds, a thousand
times as often as at a real site. Collectors are real processes: the second joins after
a fifth of the time, the first is killed (SIGKILL) at two fifths, the second at seven
tenths, each is started again three seconds later.

Beside them `tests/bench/fleet_bare.py`, a bare paho subscriber, inserts the same rows.
Exit code 0: every event of every journal is in the database, once, and in order.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
from contextlib import AsyncExitStack, ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING, Any

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

import broker
import postgres
from fleet_stage import Member, member
from mqtt_stage import Stage, hut, stage
from tocsin.clock import stopwatch_s, wall_ms

if TYPE_CHECKING:
    from collections.abc import Iterator

CONFIG = (
    "allow_anonymous true\nmax_inflight_messages 1000\nmax_queued_messages 1000000\n"
)
LOW, EVEN = (3_300, 2_900, 3_300, 3_300), (3_300, 3_300, 3_300, 3_300)
BARE = Path(__file__).parents[1] / "bench" / "fleet_bare.py"
AGAIN_S = 3.0
DRAIN_S = 120.0
TICKS = os.sysconf("SC_CLK_TCK")


def cpu_s(pid: int, *, is_with_ended: bool = False) -> float:
    """Return what a process has used so far; proc(5), fields 14 to 17 of stat."""
    try:
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    except OSError:
        return 0.0
    return sum(int(each) for each in fields[11 : 15 if is_with_ended else 13]) / TICKS


def peak_kb(pid: int) -> int:
    """Return the most memory that a process has had; proc(5), VmHWM of status."""
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    (found,) = (line for line in lines if line.startswith("VmHWM:"))
    return int(found.split()[1])


@dataclass
class Usage:
    """CPU seconds of everybody but the sites.

    Attributes:
        backends: Of the database's own processes, by what they serve.
    """

    collectors: dict[int, float] = field(default_factory=dict)
    started: dict[int, float] = field(default_factory=dict)
    backends: dict[int, tuple[str, float]] = field(default_factory=dict)
    bare: float = 0.0
    bare_start: float = 0.0
    broker: float = 0.0
    broker_kb: int = 0
    database: float = 0.0

    def of(self, name: str) -> float:
        return sum(used for who, used in self.backends.values() if who == name)


@dataclass
class Run:
    """One campaign.

    Attributes:
        events: What the sites' journals hold, by site, in order.
        room: Bytes of an event and of a summary in the database, indexes included.
        wrong: What should not have been.
    """

    sites: int
    seconds: float
    every_s: float
    events: dict[str, list[tuple[str, int]]] = field(default_factory=dict)
    summaries: int = 0
    stored: int = 0
    stored_summaries: int = 0
    bare_events: int = 0
    room: tuple[int, int] = (0, 0)
    took_s: float = 0.0
    usage: Usage = field(default_factory=Usage)
    said: list[str] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)

    @property
    def total(self) -> int:
        return sum(len(each) for each in self.events.values())


async def site(on: Stage, run: Run, until_s: float, chance: Random) -> None:
    """Let an alarm come and go at one site."""
    await asyncio.sleep(chance.random() * run.every_s)
    begun_s, is_low = stopwatch_s(), False
    while (now_s := stopwatch_s()) < until_s:
        is_low = not is_low
        on.wall_ms = wall_ms()
        at_ms = 2_000 + round((now_s - begun_s) * 1_000)
        on.hear(at_ms, left=LOW if is_low else EVEN)
        pause_s = run.every_s * (0.5 + chance.random())
        while pause_s > 0:
            on.publisher.alive()
            await asyncio.sleep(min(1.0, pause_s))
            pause_s -= 1.0


async def sites(run: Run, port: int, folder: Path) -> None:
    """Run every site for the time."""
    async with AsyncExitStack() as stack:
        stages: dict[str, Stage] = {}
        for number in range(run.sites):
            name = f"site-{number:03d}"
            own = folder / name
            own.mkdir()
            how: dict[str, Any] = {"fleet": {"name": name}, "run_id": f"run-{number}"}
            made = stage(port, own, of=hut(), **how)
            await stack.enter_async_context(made.publisher)
            made.hear(1_000)
            stages[name] = made
        until_s = stopwatch_s() + run.seconds
        await asyncio.gather(
            *(site(made, run, until_s, Random(name)) for name, made in stages.items())
        )
        left_s = DRAIN_S
        feeds = [made.publisher._archive.feed for made in stages.values()]
        while left_s > 0 and any(feeds):
            for made in stages.values():
                made.publisher.alive()
            await asyncio.sleep(0.2)
            left_s -= 0.2
        for name, made in stages.items():
            rows = made.journal.rows
            run.events[name] = [(row.run_id, row.seq) for row in rows]
            painter: Any = made.publisher._face.painter
            run.summaries += painter._seq
            if made.publisher._archive.feed:
                run.wrong.append(f"{name} could not send everything")


def collectors(run: Run, one: Member, two: Member, begun_s: float) -> Iterator[float]:
    """Yield how long to wait; start and kill collectors in between."""

    def until(share: float) -> float:
        return max(0.0, begun_s + share * run.seconds - stopwatch_s())

    yield until(0.2)
    start(run, two)
    for share, killed in ((0.4, one), (0.7, two)):
        yield until(share)
        run.usage.collectors[killed.process.pid] = cpu_s(killed.process.pid)
        killed.stop(signal.SIGKILL)
        yield min(AGAIN_S, run.seconds / 10)
        start(run, killed)
    yield until(1.0)


def start(run: Run, one: Member) -> None:
    """Start a collector, and note what it has used once it is connected."""
    before = one.said().count("connected to") if one.log.exists() else 0
    one.start()
    process = one.process

    def wait() -> None:
        while process.poll() is None and one.said().count("connected to") <= before:
            time.sleep(0.02)
        run.usage.started[process.pid] = cpu_s(process.pid)

    threading.Thread(target=wait, daemon=True).start()


async def conduct(run: Run, one: Member, two: Member) -> None:
    """Start and kill collectors while the sites go on."""
    for wait_s in collectors(run, one, two, stopwatch_s()):
        await asyncio.sleep(wait_s)


async def measure(
    run: Run, members: tuple[Member, ...], server: postgres.Server
) -> None:
    """Note now and then what everybody has used."""
    while True:
        await asyncio.to_thread(look, run, members, server)
        await asyncio.sleep(2.0)


def look(run: Run, members: tuple[Member, ...], server: postgres.Server) -> None:
    for each in members:
        if each._process is not None and (used := cpu_s(each.process.pid)):
            run.usage.collectors[each.process.pid] = used
    for pid, name in server.run(
        "SELECT pid, application_name FROM pg_stat_activity WHERE application_name "
        "IN ('tocsin', 'bare')"
    ):
        if used := cpu_s(pid):
            run.usage.backends[pid] = name, used


def compare(run: Run, server: postgres.Server) -> None:
    """Find what is missing, doubled or out of order."""
    wanted = {(name, *key) for name, keys in run.events.items() for key in keys}
    left_s = DRAIN_S
    while left_s > 0:
        if server.run("SELECT count(*) FROM fleet.event")[0][0] >= len(wanted):
            break
        time.sleep(0.5)
        left_s -= 0.5
    found = server.run("SELECT site, epoch, seq FROM fleet.event_in_order")
    if missing := wanted - set(found):
        run.wrong.append(f"{len(missing)} events lost, as {min(missing)}")
    if strange := set(found) - wanted:
        run.wrong.append(f"{len(strange)} events that no site wrote")
    if len(found) != len(set(found)):
        run.wrong.append(f"{len(found) - len(set(found))} events doubled")
    for name, keys in run.events.items():
        order = [(epoch, seq) for each, epoch, seq in found if each == name]
        if order != keys and not missing:
            run.wrong.append(f"{name}: events out of order")
    counted = server.run("SELECT sum(events), sum(last_seq - events) FROM fleet.epoch")
    if counted != [(len(found), 0)]:
        run.wrong.append(f"the counts say {counted}")
    run.stored = len(found)
    (run.stored_summaries,) = server.run("SELECT count(*) FROM fleet.summary")[0]
    kept = ("event", run.stored), ("summary", run.stored_summaries)
    event, summary = (room(server, table) // max(1, rows) for table, rows in kept)
    run.room = event, summary
    (run.bare_events,) = server.run("SELECT count(*) FROM bare_event")[0]


def room(server: postgres.Server, table: str) -> int:
    """Return how many bytes a table takes with its indexes."""
    return int(server.run(f"SELECT pg_total_relation_size('fleet.{table}')")[0][0])


def play(run: Run, settings: tuple[str, ...] = ()) -> None:
    """Do all of it."""
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        running = stack.enter_context(broker.running(folder, more=CONFIG))
        server = stack.enter_context(postgres.served(settings))
        one = stack.enter_context(member(running.port, server.dsn(), name="one"))
        two = Member(running.port, server.dsn(), "two", folder / "two.log")
        stack.callback(lambda: two._process and two.stop(signal.SIGKILL))
        command = [sys.executable, str(BARE), str(running.port), server.dsn()]
        bare = subprocess.Popen(command)
        stack.callback(bare.wait)
        stack.callback(bare.kill)
        run.usage.started[one.process.pid] = cpu_s(one.process.pid)
        time.sleep(3.0)
        run.usage.bare_start = cpu_s(bare.pid)
        begun_s = stopwatch_s()
        asyncio.run(together(run, (one, two), server, running.port, folder))
        run.took_s = stopwatch_s() - begun_s
        compare(run, server)
        look(run, (one, two), server)
        run.usage.bare = cpu_s(bare.pid)
        run.usage.broker = cpu_s(running.pid)
        run.usage.broker_kb = peak_kb(running.pid)
        children = Path(f"/proc/{server.pid}/task/{server.pid}/children").read_text()
        alive = sum(cpu_s(int(pid)) for pid in children.split())
        run.usage.database = cpu_s(server.pid, is_with_ended=True) + alive
        for each in (one, two):
            last = each.stop(signal.SIGTERM).splitlines()[-1]
            run.said.append(f"{each.name}: {last}")


async def together(
    run: Run,
    members: tuple[Member, Member],
    server: postgres.Server,
    port: int,
    folder: Path,
) -> None:
    measuring = asyncio.create_task(measure(run, members, server))
    conducting = asyncio.create_task(conduct(run, *members))
    await sites(run, port, folder)
    await conducting
    measuring.cancel()


def told(run: Run) -> str:
    """Return what was measured."""
    use, events = run.usage, run.total
    starting = sum(use.started.values())
    working = sum(use.collectors.values()) - starting
    bare = use.bare - use.bare_start
    own, its = use.of("tocsin"), use.of("bare")
    said = f"""\
{run.sites} sites, {run.took_s:.0f} s: {events} events ({events / run.took_s:.1f}/s) \
and {run.summaries} summaries told
stored: {run.stored} events, {run.stored_summaries} summaries, by \
{len(use.collectors)} processes, two of them killed
CPU of the collectors: {working:.2f} s, {per(working, events)}; and {starting:.2f} s \
to start {len(use.started)} times
CPU of the bare subscriber: {bare:.2f} s, {per(bare, run.bare_events)}; and \
{use.bare_start:.2f} s to start
CPU of the broker: {use.broker:.2f} s; its memory at most {use.broker_kb / 1000:.1f} MB
CPU of the database: {use.database:.2f} s, of it {own:.2f} s for the collectors, \
{its:.2f} s for the bare subscriber
room in the database, with indexes: {run.room[0]} bytes an event, {run.room[1]} \
a summary"""
    lines = [said, *run.said, *(f"WRONG: {each}" for each in run.wrong)]
    if not run.wrong:
        lines.append("nothing lost, nothing doubled, nothing out of order")
    return "\n".join(lines)


def per(used_s: float, events: int) -> str:
    return f"{1e6 * used_s / max(1, events):.0f} us an event"


def main() -> int:
    """Play it as told; return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("--sites", type=int, default=200)
    parser.add_argument("--seconds", type=float, default=600)
    parser.add_argument(
        "--every", type=float, default=4.0, help="seconds between changes at a site"
    )
    args = parser.parse_args()
    run = Run(args.sites, args.seconds, args.every)
    play(run)
    print(told(run))
    return 1 if run.wrong else 0


if __name__ == "__main__":
    sys.exit(main())
