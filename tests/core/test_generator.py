"""A set behind a two-wire contact, from the first wish to the last minute of cooling.

Crank and rest of 15 s each: NFPA 110, edition of 2002, 5.6.4.2.1. The other times are
common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from core_builders import (
    Player,
    command,
    local,
    low_rule,
    output,
    reading,
    rule,
    seen,
    site,
    wired,
)
from tocsin.core.audit import faults
from tocsin.core.counts import Counts
from tocsin.core.events import Counted, Event, Verb
from tocsin.core.genset import Phase
from tocsin.core.hours import HOUR_MS, Hours
from tocsin.core.plant import GeneratorPlan, InputRole
from tocsin.core.rules import Action, Measure, Priority, Role
from tocsin.core.site import Timing

LOW = (3_300, 2_900, 3_300, 3_300)
MIN_MS = 60_000
CALLS = (Action(role=Role.GENERATOR_CALL),)
PLAN = GeneratorPlan(
    start_delay_ms=10_000,
    confirm_ms=60_000,
    confirm_ma=5_000,
    tries=3,
    pause_ms=15_000,
    warm_up_ms=2 * MIN_MS,
    cool_down_ms=3 * MIN_MS,
    min_run_ms=30 * MIN_MS,
    max_run_ms=8 * HOUR_MS,
    min_rest_ms=10 * MIN_MS,
    returned_permille=100,
)
RULES = (
    low_rule(actions=CALLS),
    rule(
        "far-low",
        measure=Measure.LOWEST_CELL,
        trip_at=3_100,
        clear_at=3_250,
        actions=CALLS,
    ),
    rule(
        "no-start",
        measure=Measure.FAILED_STARTS,
        trip_at=1,
        clear_at=0,
        priority=Priority.MEDIUM,
    ),
)
RUNS = wired("runs", InputRole.GENERATOR_RUNNING)
LOCK = wired("lock", InputRole.GENERATOR_LOCKOUT)
QUIET = Hours(from_ms=22 * HOUR_MS, to_ms=7 * HOUR_MS)


def _player(
    *events: Event,
    quiet: Hours | None = None,
    sure: bool = True,
    stale_ms: int = 10**12,
    **plan: Any,
) -> Player:
    """A set with a running contact and a lock, both off."""
    of = site(
        *RULES,
        outputs=[
            output("set", Role.GENERATOR_CALL, generator=replace(PLAN, **plan)),
            output("transfer", Role.GENERATOR_LOAD),
            output("charge", Role.CHARGE_PERMIT),
        ],
        inputs=(RUNS, LOCK) if sure else (),
        timing=Timing(good_scans=1, stale_ms=stale_ms, quiet=quiet),
    )
    player = Player(of)
    if sure:
        player.play(seen(0, "runs", level=False), seen(0, "lock", level=False))
    player.play(reading(0), *events)
    return player


def _phase(player: Player) -> Phase:
    run = player.state.outputs[0].run
    assert run is not None
    return run.phase


def _counts(player: Player) -> Counts:
    return player.state.outputs[0].counts


def _running(**plan: Any) -> Player:
    """The set was seen to run at 20 s."""
    return _player(reading(1_000, *LOW), seen(20_000, "runs"), **plan)


# --- start ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("asked_ms", "phase"),
    [
        (10_999, Phase.DELAY),
        (11_000, Phase.STARTING),
        (11_001, Phase.STARTING),
        (70_999, Phase.STARTING),
        (71_000, Phase.PAUSE),
        (85_999, Phase.PAUSE),
        (86_000, Phase.STARTING),
        (145_999, Phase.STARTING),
        (146_000, Phase.PAUSE),
        (161_000, Phase.STARTING),
        (220_999, Phase.STARTING),
        (221_000, Phase.LOCKED),
        (9_000_000, Phase.LOCKED),
    ],
)
def test_a_set_that_never_runs_is_tried_three_times_and_no_more(
    asked_ms: int, phase: Phase
) -> None:
    player = _player(reading(1_000, *LOW))
    player.tick(asked_ms)
    assert _phase(player) is phase
    assert player.level("set") is (phase is Phase.STARTING)


def test_each_step_is_a_note_in_words() -> None:
    player = _player(reading(1_000, *LOW))
    player.tick(300_000)
    said = [text for _, text in player.notes("generator-call")]
    assert said[0] == "set: asked for by low-cell, far-low; starts in 10 s"
    assert said[1] == (
        "set: start contact closed, try 1 of 3; it must be seen to run within 60 s"
    )
    assert said[2] == "set: was not seen to run in time; contact open for 15 s"
    assert said[-1] == (
        "set: was not seen to run in time; 3 tries failed, so it is locked out until "
        "it is reset"
    )
    assert len(said) == 7


def test_a_lock_out_after_failed_starts_is_an_alarm_until_it_is_reset() -> None:
    player = _player(reading(1_000, *LOW))
    player.tick(300_000)
    assert player.alarm("no-start", "set") == "unacknowledged"
    assert player.because("set") == ("low-cell", "far-low", "starts-failed")
    player.play(command(400_000, Verb.RESET, "no-start"))
    assert player.answer().accepted
    assert player.alarm("no-start", "set") == "returned unacknowledged"
    player.tick(221_000 + 10 * MIN_MS - 1)
    assert player.because("set") == ("low-cell", "far-low", "minimum-off-time")
    player.tick(221_000 + 10 * MIN_MS)
    assert _phase(player) is Phase.DELAY


def test_resetting_another_alarm_does_not_free_it() -> None:
    player = _player(reading(1_000, *LOW))
    player.tick(300_000)
    player.play(command(400_000, Verb.RESET, "low-cell"))
    player.tick(9_000_000)
    assert _phase(player) is Phase.LOCKED


def test_a_person_at_the_set_s_own_lock_frees_it_as_well() -> None:
    player = _player(reading(1_000, *LOW))
    player.tick(300_000)
    player.play(seen(400_000, "lock"))
    player.tick(9_000_000)
    assert not player.level("set")
    player.play(seen(9_000_001, "lock", level=False))
    player.tick(9_010_001)
    assert _phase(player) is Phase.STARTING


def test_a_wish_that_ends_in_the_delay_starts_nothing() -> None:
    player = _player(reading(1_000, *LOW), reading(10_999))
    player.tick(9_000_000)
    assert player.moves("set") == []
    assert player.notes("generator-call")[-1] == (
        10_999,
        "set: not started: nothing asks for it any more",
    )


# --- confirmation -----------------------------------------------------------------


@pytest.mark.parametrize(
    ("before_ma", "current_ma", "is_seen"),
    [
        (-20_000, 4_999, False),
        (-20_000, 5_000, True),
        (-20_000, 5_001, True),
        (3_000, 7_999, False),
        (3_000, 8_000, True),
        (3_000, 8_001, True),
    ],
    ids=["below", "at", "above", "sun: below", "sun: at", "sun: above"],
)
def test_a_charge_current_above_what_the_sun_gave_confirms(
    before_ma: int, current_ma: int, *, is_seen: bool
) -> None:
    player = _player(reading(1_000, *LOW, current_ma=before_ma), sure=False)
    player.play(reading(20_000, *LOW, current_ma=current_ma))
    player.tick(31_000)
    assert (_phase(player) is Phase.WARMING) is is_seen


@pytest.mark.parametrize(
    ("ends_ms", "is_seen"), [(29_999, False), (30_000, True), (30_001, True)]
)
def test_a_charge_current_must_last(ends_ms: int, *, is_seen: bool) -> None:
    player = _player(reading(1_000, *LOW), sure=False)
    player.play(reading(20_000, *LOW, current_ma=40_000), reading(ends_ms, *LOW))
    assert (_phase(player) is Phase.WARMING) is is_seen


@pytest.mark.parametrize(
    ("level", "phase"), [(False, Phase.STARTING), (None, Phase.WARMING)]
)
def test_the_sun_confirms_no_set_whose_contact_says_that_it_rests(
    *, level: bool | None, phase: Phase
) -> None:
    player = _player(reading(1_000, *LOW), seen(15_000, "runs", level=level))
    player.play(reading(20_000, *LOW, current_ma=40_000))
    player.tick(31_000)
    assert _phase(player) is phase
    assert not player.level("transfer")


def test_a_set_seen_by_its_current_stops_where_its_contact_says_so() -> None:
    player = _player(reading(1_000, *LOW), seen(15_000, "runs", level=None))
    player.play(reading(20_000, *LOW, current_ma=40_000))
    player.play(seen(5 * MIN_MS, "runs", level=False))
    player.tick(5 * MIN_MS + 9_999)
    assert _phase(player) is Phase.RUNNING
    player.tick(5 * MIN_MS + 10_000)
    assert _phase(player) is Phase.PAUSE


@pytest.mark.parametrize(
    ("seen_ms", "phase"),
    [(70_999, Phase.WARMING), (71_000, Phase.PAUSE), (71_001, Phase.PAUSE)],
)
def test_the_running_contact_confirms_in_time_or_not_at_all(
    seen_ms: int, phase: Phase
) -> None:
    player = _player(reading(1_000, *LOW), seen(seen_ms, "runs"))
    assert _phase(player) is phase


# --- run --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("asked_ms", "carries"), [(139_999, False), (140_000, True), (140_001, True)]
)
def test_load_is_put_on_a_warm_set_only(asked_ms: int, *, carries: bool) -> None:
    player = _running()
    player.tick(asked_ms)
    assert player.level("transfer") is carries
    assert player.because("transfer") == (("set",) if carries else ())


BACK_MS = 20_000 + 40 * MIN_MS
"""Forty minutes into the run."""


def _charged(player: Player, returned_mah: int, by_ms: int) -> None:
    """Let so much charge come back, evenly, to a bank of 100 Ah."""
    steps = 10
    begin_ms = player.state.now_ms
    player.play(reading(begin_ms))
    current_ma = returned_mah * HOUR_MS // (by_ms - begin_ms)
    for i in range(1, steps + 1):
        at_ms = begin_ms + (by_ms - begin_ms) * i // steps
        player.play(reading(at_ms, current_ma=current_ma))


@pytest.mark.parametrize(
    ("returned_mah", "ends"), [(9_990, False), (10_001, True), (10_500, True)]
)
def test_a_run_ends_once_charge_has_come_back(returned_mah: int, *, ends: bool) -> None:
    player = _running()
    _charged(player, returned_mah, BACK_MS)
    assert (_phase(player) is Phase.COOLING) is ends
    assert player.level("transfer") is not ends
    assert player.level("set")


def test_a_run_waits_for_its_shortest_time_though_charge_is_back() -> None:
    player = _running()
    _charged(player, 20_000, 10 * MIN_MS)
    assert player.because("set") == ("minimum-on-time",)
    for asked_ms, phase in (
        (20_000 + 30 * MIN_MS - 1, Phase.RUNNING),
        (20_000 + 30 * MIN_MS, Phase.COOLING),
    ):
        player.tick(asked_ms)
        assert _phase(player) is phase


@pytest.mark.parametrize(
    ("plan", "said", "ends"),
    [
        ({"soc_permille": 800}, {"soc_permille": 799}, False),
        ({"soc_permille": 800}, {"soc_permille": 800}, True),
        ({"soc_permille": 800}, {"soc_permille": 801}, True),
        ({"soc_permille": 800}, {}, False),
        ({"cell_mv": 3_300}, {"cells": 3_299}, False),
        ({"cell_mv": 3_300}, {"cells": 3_300}, True),
        ({"cell_mv": 3_300}, {"cells": 3_301}, True),
    ],
)
def test_a_run_ends_on_state_of_charge_or_cell_voltage_where_asked(
    plan: dict[str, Any], said: dict[str, Any], *, ends: bool
) -> None:
    player = _running(**plan)
    cell_mv = said.pop("cells", 3_280)
    player.play(reading(BACK_MS, *[cell_mv] * 4, **said))
    assert (_phase(player) is Phase.COOLING) is ends


def test_a_rule_that_still_asks_keeps_it_running() -> None:
    player = _running()
    for i in range(1, 11):
        player.play(reading(i * 10 * MIN_MS, *LOW, current_ma=30_000))
    assert _phase(player) is Phase.RUNNING
    assert player.because("set") == ("low-cell", "far-low")


@pytest.mark.parametrize(
    ("ran_ms", "phase"),
    [
        (8 * HOUR_MS - 1, Phase.RUNNING),
        (8 * HOUR_MS, Phase.COOLING),
        (8 * HOUR_MS + 1, Phase.COOLING),
    ],
)
def test_no_run_is_longer_than_the_longest(ran_ms: int, phase: Phase) -> None:
    player = _running()
    player.tick(20_000 + ran_ms)
    assert _phase(player) is phase


@pytest.mark.parametrize(
    ("asked_ms", "phase"),
    [(179_999, Phase.COOLING), (180_000, Phase.OFF), (180_001, Phase.OFF)],
)
def test_it_cools_down_without_load_before_it_stops(
    asked_ms: int, phase: Phase
) -> None:
    player = _running()
    _charged(player, 10_010, BACK_MS)
    player.tick(BACK_MS + asked_ms)
    assert _phase(player) is phase
    assert player.level("set") is (phase is Phase.COOLING)
    assert not player.level("transfer")


STOP_MS = BACK_MS + 3 * MIN_MS


@pytest.mark.parametrize(
    ("rested_ms", "phase"),
    [
        (10 * MIN_MS - 1, Phase.OFF),
        (10 * MIN_MS, Phase.DELAY),
        (10 * MIN_MS + 1, Phase.DELAY),
    ],
)
def test_it_rests_before_it_starts_again(rested_ms: int, phase: Phase) -> None:
    player = _running()
    _charged(player, 10_010, BACK_MS)
    player.play(seen(STOP_MS, "runs", level=False), reading(STOP_MS + 1, *LOW))
    assert player.because("set") == ("low-cell", "far-low", "minimum-off-time")
    player.tick(STOP_MS + rested_ms)
    assert _phase(player) is phase


def test_hours_and_starts_are_counted_and_said() -> None:
    player = _running()
    _charged(player, 10_010, BACK_MS)
    player.tick(STOP_MS)
    counts = _counts(player)
    assert (counts.run_ms, counts.starts) == (43 * MIN_MS, 1)
    assert (counts.failed, counts.stopped_ms) == (0, STOP_MS)
    said = player.notes("generator-call")[-1][1]
    assert said == "set: stopped after 43 min; 0.7 h and 1 starts in all"


@pytest.mark.parametrize(
    ("lost_ms", "phase"),
    [(9_999, Phase.RUNNING), (10_000, Phase.PAUSE), (10_001, Phase.PAUSE)],
)
def test_a_set_that_stops_by_itself_is_a_failed_start(
    lost_ms: int, phase: Phase
) -> None:
    player = _running()
    player.play(seen(5 * MIN_MS, "runs", level=False))
    player.tick(5 * MIN_MS + lost_ms)
    assert _phase(player) is phase
    assert _counts(player).failed == (phase is Phase.PAUSE)


def test_a_running_contact_that_cannot_be_read_stops_nothing() -> None:
    player = _running()
    player.play(seen(5 * MIN_MS, "runs", level=None))
    player.tick(20 * MIN_MS)
    assert _phase(player) is Phase.RUNNING


def test_failed_starts_are_forgotten_only_after_a_whole_run() -> None:
    player = _player(reading(1_000, *LOW))
    player.play(seen(90_000, "runs"), seen(100_000, "runs", level=False))
    player.tick(110_000)
    assert _counts(player).failed == 2
    player.play(seen(130_000, "runs"))
    _charged(player, 20_000, 130_000 + 40 * MIN_MS)
    player.tick(130_000 + 43 * MIN_MS)
    assert _counts(player).failed == 0


# --- what must be able to stop it -------------------------------------------------


@pytest.mark.parametrize("level", [True, None], ids=["on", "unreadable"])
@pytest.mark.parametrize("at_ms", [5_000, 12_000, 30_000, 400_000])
def test_the_local_lock_out_opens_the_contact_at_once(
    at_ms: int, *, level: bool | None
) -> None:
    player = _player(reading(1_000, *LOW))
    if at_ms > 20_000:
        player.play(seen(20_000, "runs"))
    player.play(seen(at_ms, "lock", level=level))
    assert not player.level("set")
    assert not player.level("transfer")
    player.tick(9_000_000)
    assert player.because("set") == ("low-cell", "far-low", "generator-lock-out")
    assert not player.level("set")


def test_a_second_look_finds_a_set_called_although_it_is_locked() -> None:
    player = _running()
    outcome = player.outcomes[-1]
    assert faults(outcome, player.site) == ()
    locked = replace(
        outcome.state,
        inputs=tuple(replace(each, level=True) for each in outcome.state.inputs),
    )
    found = faults(replace(outcome, state=locked), player.site)
    assert found == ("set is called although its local lock-out is not off",)


def _blind() -> Player:
    """A run of half an hour and more, and then nothing is heard of the pack."""
    player = _player(stale_ms=10_000)
    for at_ms in range(1_000, LAST_MS + 1, 9_000):
        if at_ms == 19_000:
            player.play(seen(at_ms, "runs"))
        player.play(reading(at_ms, *(FAR_LOW if at_ms < 20_000 else ())))
    player.tick(LOST_MS)
    return player


FAR_LOW = (3_300, 3_080, 3_300, 3_300)
LAST_MS = 1_000 + 9_000 * 211
LOST_MS = LAST_MS + 10_000


@pytest.mark.parametrize(
    ("lost_ms", "phase"),
    [
        (599_999, Phase.RUNNING),
        (600_000, Phase.COOLING),
        (600_001, Phase.COOLING),
    ],
)
def test_without_readings_a_run_ends_after_its_time(lost_ms: int, phase: Phase) -> None:
    player = _blind()
    assert not player.level("charge")
    player.tick(LOST_MS + lost_ms)
    assert _phase(player) is phase


def test_without_readings_it_does_not_start() -> None:
    player = _player(reading(1_000, *LOW), stale_ms=5_000)
    player.tick(9_000_000)
    assert player.moves("set") == []
    assert player.because("set") == ("low-cell", "far-low", "waiting-for-data")


# --- quiet hours ------------------------------------------------------------------


@pytest.mark.parametrize(
    ("cells", "hour", "minute", "starts"),
    [
        (FAR_LOW, 21, 59, True),
        (FAR_LOW, 22, 0, False),
        (FAR_LOW, 6, 59, False),
        (FAR_LOW, 7, 0, True),
        (LOW, 22, 0, True),
        (LOW, 3, 0, True),
    ],
)
def test_in_quiet_hours_only_an_emergency_starts_it(
    cells: tuple[int, ...], hour: int, minute: int, *, starts: bool
) -> None:
    player = _player(local(500, hour, minute), reading(1_000, *cells), quiet=QUIET)
    player.tick(12_000)
    assert player.level("set") is starts
    if not starts:
        assert player.because("set") == ("far-low", "quiet-hours")


def test_which_rules_are_an_emergency_can_be_said() -> None:
    player = _player(local(500, 3), quiet=QUIET, emergency=frozenset({"far-low"}))
    player.play(reading(1_000, *FAR_LOW))
    player.tick(12_000)
    assert player.level("set")


def test_while_nobody_knows_the_time_every_hour_is_quiet() -> None:
    player = _player(reading(1_000, *FAR_LOW), quiet=QUIET)
    player.tick(60_000)
    assert not player.level("set")
    player.play(local(70_000, 12))
    player.tick(80_000)
    assert player.level("set")


def test_what_waited_for_the_end_of_the_quiet_hours_starts_then() -> None:
    player = _player(local(0, 6, 59), quiet=QUIET)
    player.play(reading(1_000, *FAR_LOW))
    player.tick(10 * MIN_MS)
    assert player.moves("set")[0] == (70_000, True)


@pytest.mark.parametrize(("cells", "ends"), [(FAR_LOW, True), (LOW, False)])
def test_quiet_hours_end_a_run_that_is_no_emergency(
    cells: tuple[int, ...], *, ends: bool
) -> None:
    player = _player(local(0, 21), quiet=QUIET)
    player.play(reading(1_000, *cells), seen(20_000, "runs"))
    player.tick(HOUR_MS - 1)
    assert _phase(player) is Phase.RUNNING
    player.tick(HOUR_MS)
    assert (_phase(player) is Phase.COOLING) is ends


# --- exercise ---------------------------------------------------------------------

WEEKLY: dict[str, Any] = {"exercise_days": 7, "exercise_at_ms": 11 * HOUR_MS}
DAY_MS = 24 * HOUR_MS


@pytest.mark.parametrize(
    ("ago_ms", "runs"),
    [
        (7 * DAY_MS - 12 * HOUR_MS - 1, False),
        (7 * DAY_MS - 12 * HOUR_MS, True),
        (30 * DAY_MS, True),
        (None, True),
    ],
)
def test_a_set_that_has_not_run_for_days_is_exercised_at_its_hour(
    ago_ms: int | None, *, runs: bool
) -> None:
    player = _player(local(0, 10, 59), **WEEKLY)
    ran_ms = None if ago_ms is None else MIN_MS - ago_ms
    counted = Counted(at_ms=1_000, output="set", counts=Counts(ran_ms=ran_ms))
    player.play(counted)
    player.tick(MIN_MS + 10_000 - 1)
    assert not player.level("set")
    player.tick(MIN_MS + 10_000)
    assert player.level("set") is runs


def test_an_exercise_run_ends_by_itself_and_is_not_repeated() -> None:
    player = _player(local(0, 11), **WEEKLY)
    player.play(seen(15_000, "runs"))
    player.tick(20 * MIN_MS)
    assert player.because("set") == ("exercise",)
    player.tick(15_000 + 30 * MIN_MS)
    assert _phase(player) is Phase.COOLING
    player.play(seen(40 * MIN_MS, "runs", level=False))
    player.tick(6 * DAY_MS)
    assert _counts(player).starts == 1


def test_no_exercise_in_quiet_hours_or_while_nobody_knows_the_time() -> None:
    night: dict[str, Any] = {"exercise_days": 7, "exercise_at_ms": 23 * HOUR_MS}
    player = _player(local(0, 12), quiet=QUIET, **night)
    player.tick(20 * DAY_MS)
    assert player.moves("set") == []
    unknown = _player(**WEEKLY)
    unknown.tick(20 * DAY_MS)
    assert unknown.moves("set") == []


# --- over a restart ---------------------------------------------------------------


def test_a_lock_out_from_an_earlier_run_holds() -> None:
    player = _player()
    counts = Counts(failed=3, starts=9, locked=True, run_ms=HOUR_MS)
    player.play(Counted(at_ms=500, output="set", counts=counts))
    player.play(reading(1_000, *LOW))
    player.tick(9_000_000)
    assert player.moves("set") == []
    assert player.alarm("no-start", "set") == "unacknowledged"
    assert _counts(player).run_ms == HOUR_MS


@pytest.mark.parametrize(
    ("failed", "phase"), [(2, Phase.STARTING), (3, Phase.LOCKED), (4, Phase.LOCKED)]
)
def test_starts_that_failed_before_a_restart_lock_it_out(
    failed: int, phase: Phase
) -> None:
    player = _player()
    counts = Counts(failed=failed)  # the last of them broken off by the daemon's end
    player.play(Counted(at_ms=500, output="set", counts=counts), reading(1_000, *LOW))
    player.tick(15_000)
    assert _phase(player) is phase
    assert _counts(player).locked is (phase is Phase.LOCKED)
    player.play(command(16_000, Verb.RESET, "no-start"))
    player.tick(40_000)
    assert _phase(player) is Phase.STARTING
    assert _counts(player).failed == (2 if failed == 2 else 0)


def test_a_rest_begun_before_a_restart_goes_on() -> None:
    player = _player()
    counts = Counts(stopped_ms=500 - 9 * MIN_MS)
    player.play(Counted(at_ms=500, output="set", counts=counts), reading(1_000, *LOW))
    player.tick(500 + MIN_MS - 1)
    assert _phase(player) is Phase.OFF
    player.tick(500 + MIN_MS)
    assert _phase(player) is Phase.DELAY


# --- settings ---------------------------------------------------------------------


@pytest.mark.parametrize(
    "wrong",
    [{"tries": 0}, {"min_rest_ms": 0}, {"pause_ms": 0}, {"start_delay_ms": -1}],
)
def test_times_that_would_let_a_set_chatter_are_refused(wrong: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match="needs times and at least one try"):
        replace(PLAN, **wrong)
