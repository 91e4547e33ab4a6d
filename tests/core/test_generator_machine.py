"""What a generator's call must never do, over random histories.

The oracle watches levels and notes the times itself; it asks nothing of the core but
``step``. Beside the punctual core a late one hears the same events without a tick
between them: both must write the same journal.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    rule,
    run_state_machine_as_test,
)

from core_builders import (
    Player,
    command,
    low_rule,
    output,
    reading,
    seen,
    site,
    wired,
)
from core_builders import rule as alarm_rule
from tocsin.core import generator as under_test
from tocsin.core.audit import faults
from tocsin.core.events import Counted, LocalTime, ReadingFailed, Tick, Verb
from tocsin.core.genset import Look
from tocsin.core.hours import DAY_MS, HOUR_MS, Hours
from tocsin.core.plant import GeneratorPlan, InputRole
from tocsin.core.rules import Action, Measure, Priority, Role
from tocsin.core.site import Timing

if TYPE_CHECKING:
    from collections.abc import Callable

    from tocsin.core.counts import Counts
    from tocsin.core.events import Event, Fact

CALLS = (Action(role=Role.GENERATOR_CALL),)
QUIET = Hours(from_ms=22 * HOUR_MS, to_ms=7 * HOUR_MS)
PLAN = GeneratorPlan(
    start_delay_ms=5_000,
    confirm_ms=40_000,
    confirm_ma=5_000,
    tries=3,
    pause_ms=15_000,
    warm_up_ms=20_000,
    cool_down_ms=30_000,
    min_run_ms=300_000,
    max_run_ms=3_600_000,
    min_rest_ms=120_000,
    returned_permille=50,
    exercise_days=2,
    exercise_at_ms=11 * HOUR_MS,
    exercise_run_ms=300_000,
)
FAR = "far-low"
SITE = site(
    low_rule(actions=CALLS),
    low_rule(FAR, trip_at=3_100, priority=Priority.MEDIUM, actions=CALLS),
    alarm_rule("no-start", measure=Measure.FAILED_STARTS, trip_at=1, clear_at=0),
    alarm_rule(
        "lost",
        measure=Measure.DATA_AGE,
        trip_at=20_000,
        clear_at=5_000,
        is_data_loss=True,
        actions=(Action(role=Role.CHARGE_PERMIT),),
    ),
    outputs=[
        output("set", Role.GENERATOR_CALL, generator=PLAN),
        output("transfer", Role.GENERATOR_LOAD),
        output("charge", Role.CHARGE_PERMIT),
    ],
    inputs=(
        wired("runs", InputRole.GENERATOR_RUNNING),
        wired("lock", InputRole.GENERATOR_LOCKOUT),
        wired("works", InputRole.MAINTENANCE),
    ),
    timing=Timing(good_scans=1, stale_ms=20_000, quiet=QUIET),
)
CELLS_MV = {"well": 3_300, "far": 3_080, "low": 2_900}
STEPS_MS = (1_000, 4_000, 9_000, 19_000)


@dataclass
class Oracle:
    """Watches the contact, and what was known at each moment.

    Attributes:
        closed_ms: Since when the contact is closed; None while it is open.
        runs_ms: Since when the set was seen to run in this closure.
        tries: Closures in a row without a whole run, a run that the daemon's own end
            broke off, or a person.
    """

    lock: bool | None = None
    works: bool | None = None
    day_offset_ms: int | None = None
    closed_ms: int | None = None
    opened_ms: int | None = None
    stopped_ms: int | None = None
    tries: int = 0
    runs: bool | None = None

    def is_quiet(self, at_ms: int) -> bool:
        if self.day_offset_ms is None:
            return True
        return QUIET.cover((at_ms + self.day_offset_ms) % DAY_MS)


@dataclass
class Watched:
    """One core, and the times its contact turned."""

    player: Player
    turns: list[tuple[int, bool]] = field(default_factory=list)


class GeneratorMachine(RuleBasedStateMachine):
    """A hut, its set, its weather and its people."""

    def __init__(self) -> None:
        super().__init__()
        self.now_ms = 0
        self.cells = "well"
        self.current_ma = -10_000
        self.is_heard = True
        self.set_works = True
        self.oracle = Oracle()
        self.punctual = Player(SITE)
        self.late = Player(SITE)
        self.facts_late: list[Fact] = []
        self.facts_punctual: list[Fact] = []

    # --- how time passes -----------------------------------------------------------

    def tell(self, event: Event) -> None:
        """Tell the late core at once, the punctual one at every wake before."""
        while (
            self.punctual.outcomes
            and (wake_ms := self.punctual.outcomes[-1].wake_at_ms) is not None
            and wake_ms < event.at_ms
        ):
            assert wake_ms > self.punctual.state.now_ms
            self.step(Tick(at_ms=wake_ms))
        self.step(event)
        self.late.play(event)
        self.facts_late += self.late.outcomes[-1].facts
        assert self.late.state == self.punctual.state
        assert self.facts_late == self.facts_punctual

    def step(self, event: Event) -> None:
        outcome = self.punctual.play(event)
        self.facts_punctual += outcome.facts
        assert faults(outcome, SITE) == ()
        self.check(event.at_ms)
        self.punctual.outcomes = [outcome]

    def check(self, at_ms: int) -> None:
        """Compare what the contact did with what it may do."""
        oracle, is_closed = self.oracle, self.punctual.level("set")
        if is_closed:
            assert oracle.lock is False, "closed although the lock-out is not off"
            assert oracle.works is False, "closed although someone works there"
        if self.punctual.level("transfer"):
            assert is_closed
            assert oracle.runs is not False or at_ms - self.runs_since_ms < 20_000
        if is_closed and oracle.closed_ms is None:
            self.check_start(at_ms)
        if not is_closed and oracle.closed_ms is not None:
            self.check_stop(at_ms)

    def check_start(self, at_ms: int) -> None:
        oracle = self.oracle
        oracle.closed_ms = at_ms
        oracle.tries += 1
        assert oracle.tries <= PLAN.tries, "more tries than allowed"
        if oracle.opened_ms is not None:
            assert at_ms - oracle.opened_ms >= PLAN.pause_ms, "no pause between tries"
        if oracle.stopped_ms is not None:
            assert at_ms - oracle.stopped_ms >= PLAN.min_rest_ms, "no rest"
        names = self.punctual.because("set")
        if oracle.is_quiet(at_ms):
            assert "low-cell" in names, f"started in quiet hours for {names}"
        assert self.punctual.state.packs[0].online, "started blindly"

    def check_stop(self, at_ms: int) -> None:
        oracle, run = self.oracle, self.punctual.state.outputs[0].run
        assert run is not None
        assert oracle.closed_ms is not None
        ran_ms = None if self.confirmed_ms is None else at_ms - self.confirmed_ms
        is_unsafe = oracle.lock is not False or oracle.works is not False
        is_stalled = oracle.runs is False and at_ms - self.runs_since_ms >= 10_000
        oracle.closed_ms, oracle.opened_ms = None, at_ms
        oracle.stopped_ms = None
        if ran_ms is None:
            assert is_unsafe or at_ms - self.crank_ms >= PLAN.confirm_ms
            return
        assert is_unsafe or is_stalled or ran_ms >= PLAN.min_run_ms, "too short a run"
        assert ran_ms <= PLAN.max_run_ms + PLAN.cool_down_ms, "too long a run"
        if ran_ms >= PLAN.min_run_ms and not is_stalled:
            oracle.tries = 0
            oracle.stopped_ms = at_ms

    @property
    def confirmed_ms(self) -> int | None:
        """Return when the set was last said to run, by the journal's notes."""
        said = self.punctual_notes()
        start = next((i for i, t in enumerate(said) if "contact closed" in t[1]), None)
        runs = [ms for ms, text in said[:start] if ": runs, as " in text]
        return runs[0] if runs else None

    @property
    def crank_ms(self) -> int:
        """Return when the contact was last said to close."""
        return next(ms for ms, text in self.punctual_notes() if "closed, try" in text)

    def punctual_notes(self) -> list[tuple[int, str]]:
        """Return every note about the set, the newest first."""
        notes = [
            (fact.at_ms, getattr(fact, "text", ""))
            for fact in self.facts_punctual
            if getattr(fact, "what", "") == Role.GENERATOR_CALL
        ]
        return notes[::-1]

    @property
    def runs_since_ms(self) -> int:
        return self.punctual.state.inputs[0].since_ms

    # --- what happens --------------------------------------------------------------

    @initialize(hour=st.one_of(st.none(), st.integers(0, 23)), is_read=st.booleans())
    def begin(self, hour: int | None, *, is_read: bool) -> None:
        self.tell(Tick(at_ms=0))
        self.set_time(hour)
        for name in ("runs", "lock", "works") if is_read else ():
            self.turn(name, level=False)

    def set_time(self, hour: int | None) -> None:
        if hour is not None:
            self.oracle.day_offset_ms = hour * HOUR_MS - self.now_ms
            self.tell(LocalTime(at_ms=self.now_ms, day_ms=hour * HOUR_MS))

    def turn(self, name: str, *, level: bool | None) -> None:
        if name in {"lock", "works", "runs"}:
            setattr(self.oracle, name, level)
        if name == "lock" and level:
            self.oracle.tries = 0  # somebody stands at the set
        self.tell(seen(self.now_ms, name, level))

    @rule(steps=st.integers(1, 40), step_ms=st.sampled_from(STEPS_MS))
    def live(self, steps: int, step_ms: int) -> None:
        """Let readings come in, or fail, for a while; the set follows its contact."""
        for _ in range(steps):
            self.now_ms += step_ms
            if self.is_heard:
                low = CELLS_MV[self.cells]
                event: Event = reading(
                    self.now_ms, 3_300, low, 3_300, 3_300, current_ma=self.current_ma
                )
            else:
                event = ReadingFailed(at_ms=self.now_ms, pack="left", reason="silent")
            self.tell(event)
            follows = self.set_works and self.punctual.level("set")
            if self.oracle.runs is not None and follows is not self.oracle.runs:
                self.turn("runs", level=follows)

    @rule(cells=st.sampled_from(("well", "far", "low", "low")))
    def drain(self, cells: str) -> None:
        self.cells = cells

    @rule(current_ma=st.sampled_from((-30_000, 0, 6_000, 60_000)))
    def flow(self, current_ma: int) -> None:
        self.current_ma = current_ma

    @rule(is_heard=st.booleans())
    def cable(self, *, is_heard: bool) -> None:
        self.is_heard = is_heard

    @rule(works=st.booleans())
    def fuel(self, *, works: bool) -> None:
        self.set_works = works

    @rule()
    def whole_run(self) -> None:
        """The bank is low, the set works, and charge comes back."""
        self.set_works = self.is_heard = True
        self.cells, self.current_ma = "low", -10_000
        self.live(10, 9_000)
        self.cells, self.current_ma = "well", 60_000
        self.live(45, 9_000)
        self.current_ma = 0

    @rule(
        name=st.sampled_from(("lock", "works", "runs")),
        level=st.sampled_from((False, False, True, None)),
    )
    def hand(self, name: str, *, level: bool | None) -> None:
        self.turn(name, level=level)

    @rule(hour=st.integers(0, 23))
    def clock(self, hour: int) -> None:
        self.set_time(hour)

    @rule(pause_ms=st.sampled_from((60_000, 3_000_000, DAY_MS)))
    def sleep(self, pause_ms: int) -> None:
        """Nothing happens, and nobody looks."""
        self.now_ms += pause_ms
        self.tell(Tick(at_ms=self.now_ms))

    @rule()
    def reset(self) -> None:
        if self.punctual.state.outputs[0].counts.locked:
            self.oracle.tries = 0
        self.tell(command(self.now_ms, Verb.RESET, "no-start"))

    @rule()
    def restart(self) -> None:
        """A new core that is told what the old one had counted."""
        counts = self.punctual.state.outputs[0].counts
        was_closed = self.punctual.level("set")
        if was_closed:  # the contact opens as the old daemon ends
            is_tried = self.confirmed_ms is None
            counts = replace(
                counts, stopped_ms=self.now_ms, failed=counts.failed + is_tried
            )
            self.oracle.opened_ms = self.oracle.stopped_ms = self.now_ms
            self.oracle.closed_ms = None
            self.oracle.tries -= not is_tried  # it ran: that was no failure of the set
        self.begin_again(counts)

    def begin_again(self, counts: Counts) -> None:
        self.punctual, self.late = Player(SITE), Player(SITE)
        for player in (self.punctual, self.late):
            player.state = replace(
                Player(SITE, now_ms=self.now_ms).state, now_ms=self.now_ms
            )
        self.oracle.lock = self.oracle.works = self.oracle.runs = None
        self.oracle.day_offset_ms = None
        self.tell(Counted(at_ms=self.now_ms, output="set", counts=counts))
        for name in ("runs", "lock", "works"):
            self.turn(name, level=False)

    @invariant()
    def counts_hold(self) -> None:
        counts = self.punctual.state.outputs[0].counts
        assert counts.failed <= PLAN.tries
        assert counts.locked is (counts.failed == PLAN.tries)


QUICK = settings(max_examples=60, stateful_step_count=25, deadline=None)


def test_no_history_makes_a_set_crank_run_or_rest_as_it_must_not() -> None:
    run_state_machine_as_test(GeneratorMachine, settings=QUICK)


def _always(*_: Any) -> tuple[str, ...]:
    return ()


def _never_enough(_: Look) -> str:
    return "because"


def _story() -> None:
    """A day with all of it: a run, a wish during the rest, a night, a lock, no fuel."""
    hut = GeneratorMachine()
    hut.begin(hour=12, is_read=True)
    hut.whole_run()
    hut.drain("low")
    hut.live(40, 4_000)
    hut.whole_run()
    hut.sleep(3_000_000)
    hut.clock(23)
    hut.drain("far")
    hut.live(40, 9_000)
    hut.drain("low")
    hut.live(30, 1_000)
    hut.hand("lock", level=True)
    hut.hand("lock", level=False)
    hut.fuel(works=False)
    hut.sleep(3_000_000)
    for _ in range(5):
        hut.live(40, 9_000)


def test_the_story_holds_with_the_real_core() -> None:
    _story()


@pytest.mark.parametrize(
    ("owner", "name", "broken"),
    [
        (Look, "unsafe", _always),
        (Look, "rest_end_ms", lambda _: -1),
        (Look, "heeded", property(lambda look: look.wishes)),
        (under_test, "_enough", _never_enough),
        (under_test, "_failed", None),
    ],
    ids=["lock ignored", "no rest", "no quiet hours", "short runs", "endless tries"],
)
def test_a_set_broken_on_purpose_is_caught(
    owner: Any,
    name: str,
    broken: Callable[..., Any] | None,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(owner, name, broken or _fails_for_ever())
    with pytest.raises(AssertionError):
        _story()


def _fails_for_ever() -> Callable[..., Any]:
    real = under_test._failed

    def failed(now: Look, what: str) -> Any:
        run, counts = real(replace(now, plan=replace(now.plan, tries=99)), what)
        return run, replace(counts, failed=min(counts.failed, 2))

    return failed
