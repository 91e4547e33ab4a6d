"""Simulated bank, Modbus TCP, core, pins, journal and a real broker, all at once.

Order and latency are asserted in steps of the core and in its own time, never in wall
time.
"""

from __future__ import annotations

import asyncio
import json
from typing import TYPE_CHECKING, Any

import pytest

import broker
from mqtt_stage import judged
from tocsin.clock import iso_time
from tocsin.core.events import AlarmFact, OutputFact, SourceFact
from tocsin.journal import read
from tocsin_drivers.simbus.server import Fault
from whole_stage import Whole, daemon, served

if TYPE_CHECKING:
    from pathlib import Path

    from tocsin.core.engine import Outcome


def mqtt(port: int) -> str:
    return f'[mqtt]\nhost = "127.0.0.1"\nport = {port}\n'


def first_step(whole: Whole, what: Any) -> int:
    """Return which step first met *what*."""
    return next(i for i, o in enumerate(whole.watcher.outcomes) if what(o))


def dropped(output: str) -> Any:
    def is_dropped(outcome: Outcome) -> bool:
        return not next(d.energised for d in outcome.demands if d.output == output)

    return is_dropped


def highest_mv(outcome: Outcome) -> int:
    samples = [pack.sample for pack in outcome.state.packs]
    return max(max(s.cells_mv) for s in samples if s is not None and s.cells_mv)


def test_a_full_cell_stops_the_charge_in_the_very_step_in_which_it_is_due(
    tmp_path: Path,
) -> None:
    async def main() -> Whole:
        async with served(tmp_path) as whole, daemon(whole) as serving:
            await whole.until(20, serving)
            assert whole.level("charge")
            whole.watcher.outcomes.clear()
            whole.cell("right", 11, 3_760)
            await whole.until(30, serving)
            return whole

    whole = asyncio.run(main())
    steps = whole.watcher.outcomes
    seen = steps[first_step(whole, lambda o: highest_mv(o) >= 3_760)]
    act = steps[first_step(whole, dropped("charge"))]
    rules = {rule.name: rule for rule in whole.setup.site.rules}
    delays_ms = [rules[reason].on_delay_ms for reason in act.demands[0].because]
    assert act.state.now_ms == seen.state.now_ms + min(delays_ms)
    assert min(delays_ms) <= 2_000
    raised = [f for f in act.facts if isinstance(f, AlarmFact)]
    assert {fact.subject for fact in raised} == {"right/11"}


def test_every_event_is_in_the_journal_before_anyone_hears_of_it(
    tmp_path: Path,
) -> None:
    folder, early = tmp_path / "journal", list[bytes]()

    def look(payload: bytes) -> None:
        if told(payload) not in rows(folder):
            early.append(payload)

    async def main(port: int) -> None:
        async with served(tmp_path) as whole, daemon(whole, mqtt(port)) as serving:
            await whole.until(20, serving)
            whole.cell("right", 11, 2_850)
            await whole.until(120, serving)
            assert not whole.level("drying")
            assert whole.level("charge")

    topic = "homie/5/fern-ridge-hut/events/event"
    with (
        broker.running(tmp_path) as running,
        broker.listening(running.port, topic, look) as ears,
    ):
        asyncio.run(main(running.port))
        ears.wait_for(lambda: any(b'"what":"stop"' in p for _, p, _ in ears.heard))
    events = [payload for _, payload, _ in ears.heard]
    assert early == []
    numbers = [json.loads(event)["seq"] for event in events]
    assert numbers == list(range(1, len(events) + 1))
    assert [told(event) for event in events] == rows(folder), "all of it, in order"


def told(payload: bytes) -> dict[str, Any]:
    event: dict[str, Any] = json.loads(payload)
    stamps = {"epoch", "seq", "at"}
    return {key: value for key, value in event.items() if key not in stamps}


def rows(folder: Path) -> list[dict[str, Any]]:
    return [json.loads(row.detail) for row in read(folder)]


ROOT = "homie/5/fern-ridge-hut"
TOPICS = (
    f"{ROOT}/$state",
    f"{ROOT}/bank/snapshot",
    f"{ROOT}/output-drying/energised",
    f"{ROOT}/output-drying/because",
    f"{ROOT}-right/$alert/low-cell",
    f"{ROOT}-right/cells/c11",
)


def test_late_comers_find_the_state_kept_by_the_broker(tmp_path: Path) -> None:
    async def main(port: int) -> dict[str, bytes]:
        async with served(tmp_path) as whole, daemon(whole, mqtt(port)) as serving:
            await whole.until(20, serving)
            whole.cell("right", 11, 2_850)
            await whole.until(120, serving)
            await asyncio.sleep(1.1)  # a topic is told once a second, its newest last
            await whole.until(125, serving)
            await asyncio.sleep(0.5)
            return await asyncio.to_thread(late, port)

    def late(port: int) -> dict[str, bytes]:
        with broker.listening(port) as ears:
            ears.wait_for(lambda: ears.kept.keys() >= set(TOPICS))
            return dict(ears.kept)

    with broker.running(tmp_path) as running:
        kept = asyncio.run(main(running.port))
        assert kept[f"{ROOT}/$state"] == b"ready"
        assert kept[f"{ROOT}/output-drying/energised"] == b"false"
        assert kept[f"{ROOT}/output-drying/because"].startswith(b"shed-stage-1")
        low = kept[f"{ROOT}-right/$alert/low-cell"]
        assert low.startswith(b"high, unacknowledged: Lowest cell (right/11): 2.850 V")
        assert kept[f"{ROOT}-right/cells/c11"] == b"2.850"
        assert (
            json.loads(kept[f"{ROOT}/bank/snapshot"])["packs"][1]["cells_v"][10] == 2.85
        )
        assert late(running.port)[f"{ROOT}/$state"] == b"disconnected"


def test_all_that_a_whole_daemon_says_is_as_the_convention_and_the_documents_say(
    tmp_path: Path,
) -> None:
    """A start, alarms, shed loads, a lost pack, commands, a stop."""

    async def main(port: int) -> None:
        more = mqtt(port) + "commands = true\n" + QUICK
        async with served(tmp_path) as whole, daemon(whole, more) as serving:
            await whole.until(20, serving)
            whole.cell("right", 11, 2_850)
            await whole.until(120, serving)
            await asyncio.to_thread(ears.wait_for, lambda: LOW in ears.kept)
            ask(port, whole, "acknowledge", id="one")
            ask(port, whole, "sounder-test", id="two")
            ask(port, whole, "silence", id="three", for_s=60)
            await until_heard(whole, serving, b'"id":"three"')
            whole.devices["left"].break_down(Fault.DEAD)
            while ears.kept[f"{ROOT}-left/$state"] != b"lost":
                await whole.until(whole.clock.now_ms() / 1000 + 1, serving)
            await whole.until(whole.clock.now_ms() / 1000 + 60, serving)

    def ask(port: int, whole: Whole, verb: str, **more: Any) -> None:
        at = iso_time(whole.clock.wall_ms())
        with broker.speaking(port) as mouth:
            said = json.dumps({"at": at, **more})
            mouth.say(f"{ROOT}/command/{verb}/set", said)

    async def until_heard(whole: Whole, serving: Any, what: bytes) -> None:
        last = f"{ROOT}/command/last"
        while what not in ears.kept.get(last, b""):
            await whole.until(whole.clock.now_ms() / 1000 + 0.1, serving)

    LOW = f"{ROOT}-right/$alert/low-cell"  # noqa: N806 a topic
    with broker.running(tmp_path) as running, judged(running.port) as ears:
        asyncio.run(main(running.port))
        ears.wait_for(lambda: ears.kept[f"{ROOT}/$state"] == b"disconnected")
    told = [json.loads(p) for t, p, _ in ears.heard if t == f"{ROOT}/command/last"]
    assert {(each["id"], each["accepted"]) for each in told} >= {("three", True)}


def test_loads_go_in_their_order_and_the_warning_comes_first(tmp_path: Path) -> None:
    async def main() -> Whole:
        async with served(tmp_path) as whole, daemon(whole) as serving:
            await whole.until(20, serving)
            for number in range(60):
                whole.cell("right", 11, 3_300 - number * 10)
                await whole.until(20 + 4 * (number + 1), serving)
            return whole

    whole = asyncio.run(main())
    told = whole.watcher.facts
    off = [
        fact.output
        for fact in told
        if isinstance(fact, OutputFact) and not fact.energised and fact.at_ms > 20_000
    ]
    order = list(dict.fromkeys(name for name in off if name in {"drying", "lights"}))
    assert order == ["drying", "lights"]
    warned_ms = min(
        fact.at_ms
        for fact in told
        if isinstance(fact, AlarmFact) and fact.alarm == "low-cell-early"
    )
    shed_ms = min(
        fact.at_ms
        for fact in told
        if isinstance(fact, OutputFact)
        and fact.output == "drying"
        and fact.at_ms > 20_000
        and not fact.energised
    )
    assert warned_ms <= shed_ms


@pytest.mark.parametrize("fault", [Fault.DEAD, Fault.CUT, Fault.GARBAGE])
def test_a_pack_that_is_lost_drops_charge_when_stale_and_loads_after_their_hold(
    fault: Fault, tmp_path: Path
) -> None:
    async def main() -> Whole:
        async with served(tmp_path) as whole, daemon(whole, QUICK) as serving:
            await whole.until(20, serving)
            whole.devices["left"].break_down(fault)
            await whole.until(60, serving)
            assert not whole.level("charge")
            assert not whole.level("drying")
            whole.devices["left"].repair()
            whole.clock.speed = 60  # the driver's own pauses are real time
            await whole.until(300, serving)
            assert whole.level("charge")
            assert whole.level("drying")
            return whole

    whole = asyncio.run(main())
    told = whole.watcher.facts
    lost_ms = [f.at_ms for f in told if isinstance(f, SourceFact) and f.state == "lost"]
    charge_ms = [
        f.at_ms
        for f in told
        if isinstance(f, OutputFact) and f.output == "charge" and not f.energised
    ]
    drying_ms = [
        f.at_ms
        for f in told
        if isinstance(f, OutputFact) and f.output == "drying" and not f.energised
    ]
    assert len(lost_ms) == 1
    assert lost_ms[0] in charge_ms
    assert lost_ms[0] + 20_000 in drying_ms


QUICK = """
[timing]
stale_s = 5
restore_gap_s = 1
"""


def test_a_broker_that_is_not_there_stops_nothing_and_is_an_alarm(
    tmp_path: Path,
) -> None:
    port = broker.free_port()

    async def main() -> Whole:
        async with served(tmp_path) as whole, daemon(whole, mqtt(port)) as serving:
            await whole.until(20, serving)
            assert whole.level("charge")
            while not said_of_mqtt(whole, "unacknowledged"):
                await whole.until(whole.clock.now_ms() / 1000 + 1, serving)
            running = broker.Broker(tmp_path, port)
            await asyncio.to_thread(running.start)
            try:
                while not said_of_mqtt(whole, "returned unacknowledged"):
                    await whole.until(whole.clock.now_ms() / 1000 + 1, serving)
            finally:
                running.stop()
            return whole

    def said_of_mqtt(whole: Whole, state: str) -> bool:
        told = (f for f in whole.watcher.facts if isinstance(f, AlarmFact))
        return any(f.subject == "mqtt" and f.state == state for f in told)

    whole = asyncio.run(main())
    said = [f for f in whole.watcher.facts if isinstance(f, AlarmFact)]
    assert any(f"127.0.0.1:{port}" in fact.message for fact in said)
