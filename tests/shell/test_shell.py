from __future__ import annotations

import asyncio
from dataclasses import replace
from functools import partial
from itertools import pairwise
from typing import TYPE_CHECKING

import pytest

from core_builders import output, rule, sample, site
from shell_stage import HUT, Stage, failing_between
from tocsin import shell as shell_module
from tocsin.core.events import (
    AlarmFact,
    Command,
    CommandFact,
    OutputFact,
    SourceFact,
    Verb,
)
from tocsin.core.rules import Measure, Role
from tocsin.core.site import Timing
from tocsin.ports import DriverError
from tocsin.shell import BACKOFF_MS, BEAT_MS, IDLE_MS, Inbox, UnsoundStepError

if TYPE_CHECKING:
    from tocsin.core.model import Sample


def test_every_output_is_held_on_every_step() -> None:
    stage = Stage()
    asyncio.run(stage.run_until(5_000, left=stage.pack()))
    assert len(stage.pins.held) == len(stage.ears.outcomes)
    assert len(stage.pins.held) >= 5
    assert all(
        {d.output for d in held} == {"charge", "horn"} for held in stage.pins.held
    )


@pytest.mark.parametrize("poll_ms", [100, BEAT_MS - 1, BEAT_MS, BEAT_MS + 1, 1_000])
def test_a_level_of_the_heartbeat_lasts_long_enough_to_be_seen(poll_ms: int) -> None:
    """However fast steps follow, and never longer than one pause more."""
    stage = Stage(poll_ms=poll_ms)
    asyncio.run(stage.run_until(20_000, left=stage.pack()))
    at_ms = [stage.ears.outcomes[n - 1].state.now_ms for n in stage.pins.beats_at]
    lasted_ms = [later - earlier for earlier, later in pairwise(at_ms)]
    assert len(lasted_ms) >= 10
    assert min(lasted_ms) >= BEAT_MS
    assert max(lasted_ms) <= BEAT_MS + IDLE_MS


def test_no_permit_is_held_before_the_first_reading() -> None:
    stage = Stage()
    asyncio.run(stage.run_until(3_000, left=stage.pack()))
    first = stage.pins.held[0]
    assert not any(demand.energised for demand in first)
    assert stage.pins.level("charge")


@pytest.mark.parametrize(("scans", "is_permitted"), [(2, False), (3, True), (4, True)])
def test_a_permit_needs_its_good_scans(scans: int, is_permitted: bool) -> None:  # noqa: FBT001
    of = replace(HUT, timing=Timing(good_scans=3))
    stage = Stage(site=of)
    asyncio.run(stage.run_until(5_000, left=stage.pack()))
    at_ms = (scans - 1) * 1_000
    then = [o for o in stage.ears.outcomes if o.state.now_ms == at_ms]
    assert then[-1].demands[0].energised is is_permitted


def test_a_pack_that_falls_silent_drops_the_charge_permit_once_stale() -> None:
    stage = Stage()
    pack = stage.pack(failing_between(5_000, 10**9))
    asyncio.run(stage.run_until(20_000, left=pack))
    assert not stage.pins.level("charge")
    lost = [
        f for f in stage.ears.facts if isinstance(f, SourceFact) and f.state == "lost"
    ]
    dropped = [
        f
        for f in stage.ears.facts
        if isinstance(f, OutputFact) and f.output == "charge" and not f.energised
    ]
    last_heard_ms, stale_ms = 4_000, HUT.timing.stale_ms
    assert [f.at_ms for f in lost] == [last_heard_ms + stale_ms]
    assert dropped[-1].at_ms == last_heard_ms + stale_ms


def test_each_failure_is_followed_by_a_fresh_connection_and_a_longer_pause() -> None:
    stage = Stage()
    pack = stage.pack(failing_between(0, 10**9))
    asyncio.run(stage.run_until(25_000, left=pack))
    pauses = [b - a for a, b in zip(pack.opened_ms, pack.opened_ms[1:], strict=False)]
    assert pauses[: len(BACKOFF_MS)] == list(BACKOFF_MS)
    assert set(pauses[len(BACKOFF_MS) :]) == {BACKOFF_MS[-1]}
    assert pack.closed == len(pack.opened_ms)


def test_after_a_good_reading_the_pause_is_short_again() -> None:
    stage = Stage()

    def script(now_ms: int) -> Sample:
        if now_ms < 8_000 or 12_000 <= now_ms < 13_000:
            raise DriverError("silent")
        return sample()

    pack = stage.pack(script)
    asyncio.run(stage.run_until(20_000, left=pack))
    failed_ms = 12_750
    assert pack.opened_ms[-1] - failed_ms == BACKOFF_MS[0]


def test_one_dead_pack_does_not_slow_the_other() -> None:
    of = site(rule(), outputs=[], packs=("left", "right"))
    stage = Stage(site=of)
    times: list[int] = []

    def watched(now_ms: int) -> Sample:
        times.append(now_ms)
        return sample()

    dead = stage.pack(failing_between(0, 10**9))
    asyncio.run(stage.run_until(10_000, left=stage.pack(watched), right=dead))
    assert times[:10] == [n * 1_000 for n in range(10)]


def test_a_bug_in_a_driver_ends_the_daemon_with_every_permit_dropped() -> None:
    stage = Stage()

    def script(now_ms: int) -> Sample:
        if now_ms >= 3_000:
            raise ZeroDivisionError
        return sample()

    with pytest.raises(ExceptionGroup) as caught:
        asyncio.run(stage.run_until(10_000, left=stage.pack(script)))
    assert caught.group_contains(ZeroDivisionError)
    assert stage.pins.closed == 1


def test_a_step_that_fails_its_second_look_drops_everything_and_ends(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    stage = Stage()

    def looked(outcome: object, of: object) -> tuple[str, ...]:
        del of
        at_ms: int = outcome.state.now_ms  # type: ignore[attr-defined]
        return ("charge is energised though it must not be",) if at_ms >= 3_000 else ()

    monkeypatch.setattr(shell_module, "faults", looked)
    with pytest.raises(ExceptionGroup) as caught:
        asyncio.run(stage.run_until(10_000, left=stage.pack()))
    assert caught.group_contains(UnsoundStepError, match="charge is energised")
    assert not any(demand.energised for demand in stage.pins.held[-1])
    assert stage.pins.closed == 1
    assert max(stage.pins.beats_at) < len(stage.pins.held), (
        "the heart never beats for an unsound step"
    )


def test_a_pin_that_cannot_be_written_stops_the_heart() -> None:
    stage = Stage()

    def script(now_ms: int) -> Sample:
        stage.pins.broken = "no such line" if 4_000 <= now_ms < 8_000 else ""
        return sample()

    asyncio.run(stage.run_until(12_000, left=stage.pack(script)))
    beats_ms = [stage.ears.outcomes[n - 1].state.now_ms for n in stage.pins.beats_at]
    assert [at_ms for at_ms in beats_ms if 4_000 < at_ms < 8_000] == []
    assert max(beats_ms) > 8_000, "and it beats again"


def test_a_pin_that_fails_raises_an_alarm_and_clears_it_when_it_works_again() -> None:
    trouble = rule("daemon-trouble", measure=Measure.TROUBLE, trip_at=1, clear_at=0)
    stage = Stage(site=site(trouble, outputs=[output("horn", Role.HORN)]))

    def script(now_ms: int) -> Sample:
        stage.pins.broken = "GPIO17 is gone" if 3_000 <= now_ms < 6_000 else ""
        return sample()

    asyncio.run(stage.run_until(12_000, left=stage.pack(script)))
    alarms = [
        f
        for f in stage.ears.facts
        if isinstance(f, AlarmFact) and f.subject == "outputs"
    ]
    assert [f.state for f in alarms] == ["unacknowledged", "returned unacknowledged"]
    assert "GPIO17 is gone" in alarms[0].message


def test_a_command_is_answered_with_the_outcome_of_its_own_step() -> None:
    stage = Stage()

    async def main() -> None:
        stamp = partial(Command, verb=Verb.ACKNOWLEDGE, by="a test")
        asked = asyncio.ensure_future(stage.inbox.ask(stamp))
        await stage.run_until(3_000, left=stage.pack())
        outcome = await asked
        assert [f.by for f in outcome.facts if isinstance(f, CommandFact)] == ["a test"]

    asyncio.run(main())


def test_an_event_is_stamped_as_it_is_taken_not_as_it_was_put() -> None:
    stage = Stage()
    stamped: list[int] = []

    async def main() -> None:
        def stamp(*, at_ms: int) -> Command:
            stamped.append(at_ms)
            return Command(at_ms=at_ms, verb=Verb.ACKNOWLEDGE, by="a test")

        running = asyncio.ensure_future(stage.run_until(4_000, left=stage.pack()))
        while stage.clock.now_ms() < 2_000:  # noqa: ASYNC110 from outside its time
            await asyncio.sleep(0)
        stage.inbox.queue.put_nowait((stamp, None))
        assert not stamped
        await running

    asyncio.run(main())
    assert stamped[0] >= 2_000


def test_cancelling_closes_the_pins_and_every_source_and_leaves_no_task() -> None:
    stage = Stage()
    pack = stage.pack()

    async def main() -> None:
        await stage.run_until(3_000, left=pack)
        assert asyncio.all_tasks() == {asyncio.current_task()}

    asyncio.run(main())
    assert stage.pins.closed == 1
    assert pack.closed == len(pack.opened_ms) == 1


def test_trouble_that_finds_the_inbox_full_is_told_later() -> None:
    async def main() -> None:
        inbox = Inbox(asyncio.Queue(maxsize=1))
        inbox.trouble("mqtt", "first")
        inbox.trouble("mqtt", "second")
        assert inbox.queue.qsize() == 1
        first, _ = await inbox.queue.get()
        second, _ = await asyncio.wait_for(inbox.queue.get(), 10)
        said = [stamp(at_ms=0).reason for stamp in (first, second)]  # type: ignore[union-attr]
        assert said == ["first", "second"]

    asyncio.run(main())


def test_the_same_script_tells_the_same_story_twice() -> None:
    told = []
    for _ in range(2):
        stage = Stage()
        pack = stage.pack(failing_between(4_000, 17_000))
        asyncio.run(stage.run_until(40_000, left=pack))
        told.append([f for f in stage.ears.facts if f.at_ms <= 35_000])
    assert told[0] == told[1]
    assert any(isinstance(fact, SourceFact) for fact in told[0])
