"""Sources beside the packs' own: when they part, when one is lost, what rests on it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from core_builders import CHARGE, output, rule, stage
from core_mixed import (
    APART_DELAY_MS,
    Bench,
    apart_rule,
    extra,
    load_rule,
    lost_rule,
    meter,
    mixed,
    says,
)
from forecast_sites import lfp_site
from tocsin.core.audit import faults
from tocsin.core.events import AlarmFact, Reading, Tick
from tocsin.core.forecast import Limit
from tocsin.core.model import Agreement, Lent, Value
from tocsin.core.rules import Measure, Role

APART = "source-disagreement"
LOST = "extra-source-lost"


# --- two sources apart ---------------------------------------------------------------


@pytest.mark.parametrize(
    ("shunt_ma", "permille"), [(-57_777, 999), (-57_778, 1_000), (-57_800, 1_002)]
)
def test_a_shunt_is_held_against_the_sum_of_the_strings(
    shunt_ma: int, permille: int
) -> None:
    """2 A and a tenth of the larger of the two are allowed here."""
    bench = Bench(mixed())
    bench.hear(31, left=-30_000, right=-20_000, shunt=shunt_ma)
    is_apart = permille >= 1_000
    assert bench.alarm(APART, "shunt") == ("unacknowledged" if is_apart else "normal")
    assert Agreement(fixed=2_000, permille=100).used_permille(shunt_ma, -50_000) == (
        permille
    )


@pytest.mark.parametrize(
    ("after_ms", "state"),
    [
        (APART_DELAY_MS - 1, "normal"),
        (APART_DELAY_MS, "unacknowledged"),
        (APART_DELAY_MS + 1, "unacknowledged"),
    ],
)
def test_a_disagreement_alarms_once_its_delay_is_over(
    after_ms: int, state: str
) -> None:
    bench = Bench(mixed())
    for at_s in range(1, 31):
        bench.play(says(at_s * 1_000, "left", -30_000))
        bench.play(says(at_s * 1_000, "right", -20_000))
        bench.play(meter(at_s * 1_000, current_ma=-90_000))
    bench.tick(1_000 + after_ms)
    assert bench.alarm(APART, "shunt") == state
    assert bench.level("charge") is (state == "normal")


def test_the_alarm_says_who_said_what() -> None:
    bench = Bench(mixed())
    bench.hear(32, left=-30_000, right=-20_000, shunt=-90_000)
    (told,) = [f for f in bench.facts if isinstance(f, AlarmFact) and f.alarm == APART]
    assert told.subject == "shunt/current"
    assert "shunt says -90.0 A, left, right say -50.0 A." in told.message
    assert "By itself: charging is inhibited." in told.message


def test_a_disagreement_ends_behind_its_clear_limit() -> None:
    bench = Bench(mixed())
    bench.hear(32, left=-30_000, right=-20_000, shunt=-90_000)
    bench.hear(2, left=-30_000, right=-20_000, shunt=-51_000)
    assert bench.alarm(APART, "shunt") == "returned unacknowledged"
    assert bench.level("charge")


def test_silence_does_not_end_a_disagreement() -> None:
    bench = Bench(mixed())
    bench.hear(32, left=-30_000, right=-20_000, shunt=-90_000)
    bench.hear(60, left=-30_000, right=-20_000)
    assert bench.alarm(APART, "shunt") == "unacknowledged"


def test_a_load_that_comes_and_goes_between_two_readings_is_no_disagreement() -> None:
    bench = Bench(mixed())
    for turn in range(40):
        flows = -60_000 if turn % 2 else -5_000
        bench.hear(left=flows // 2, right=flows // 2, shunt=-5_000 - 60_000 - flows)
        bench.hear(left=-5_000, right=-5_000, shunt=-10_000)
    assert bench.history(APART) == []


def test_what_a_shunt_has_lent_is_not_held_against_the_shunt_itself() -> None:
    bench = Bench(mixed())
    bench.hear(60, left=-30_000, right=None, shunt=-90_000)
    bench.hear(60, left=None, right=None, shunt=-90_000)
    assert bench.history(APART) == []


@pytest.mark.parametrize(
    ("value", "of", "said", "is_apart"),
    [
        (Value.VOLTAGE, "left", 13_300, False),
        (Value.VOLTAGE, "left", 13_301, True),
        (Value.VOLTAGE, "bank", 13_099, True),
        (Value.VOLTAGE, "bank", 13_100, False),
        (Value.CURRENT, "left", -35_600, True),
        (Value.CURRENT, "left", -34_000, False),
    ],
)
def test_a_second_meter_is_held_against_what_it_is_of(
    value: Value, of: str, said: int, *, is_apart: bool
) -> None:
    bench = Bench(mixed(extra("meter", of, value)))
    for at_s in range(1, 33):
        bench.play(
            says(at_s * 1_000, "left", -30_000, voltage_mv=13_200),
            says(at_s * 1_000, "right", -20_000, voltage_mv=13_200),
            meter(at_s * 1_000, "meter", **{value.field: said}),
        )
    # The limit itself is beyond: one step less than all that is allowed is not.
    expected = is_apart or abs(said - 13_200) == 100
    assert (bench.alarm(APART, "meter") != "normal") is expected


def test_charge_counters_are_held_against_each_other_by_a_rule_of_their_own() -> None:
    counters = rule(
        "counter-disagreement",
        measure=Measure.COUNTER_DISAGREEMENT,
        trip_at=1_000,
        clear_at=700,
    )
    bench = Bench(
        mixed(extra("meter", "bank", Value.SOC), rules=(apart_rule(), counters))
    )
    for at_s in range(1, 40):
        bench.play(
            says(at_s * 1_000, "left", 0, soc_permille=600),
            says(at_s * 1_000, "right", 0, soc_permille=500),
            meter(at_s * 1_000, "meter", soc_permille=440),
        )
    assert bench.alarm("counter-disagreement", "meter") == "unacknowledged"
    assert [a.subject for a in bench.state.alarms if a.index == 0] == []
    assert bench.level("charge"), "a counter that drifts takes no permit"


def test_two_shunts_of_one_bank_are_held_against_each_other() -> None:
    bench = Bench(mixed(extra("shunt"), extra("spare")))
    bench.hear(32, left=None, right=None, shunt=-50_000, spare=-70_000)
    assert bench.alarm(APART, "shunt") == bench.alarm(APART, "spare") != "normal"


# --- a source lost -------------------------------------------------------------------


@pytest.mark.parametrize(
    ("age_ms", "state"),
    [(9_999, "normal"), (10_000, "unacknowledged"), (10_001, "unacknowledged")],
)
def test_a_silent_source_is_an_alarm_of_its_own(age_ms: int, state: str) -> None:
    bench = Bench(mixed())
    bench.hear(3, left=-30_000, right=-20_000, shunt=-50_000)
    bench.play(Tick(at_ms=3_000 + age_ms))
    assert bench.alarm(LOST, "shunt") == state


def test_a_source_that_never_spoke_is_lost_too() -> None:
    bench = Bench(mixed())
    bench.hear(11, left=-30_000, right=-20_000)
    assert bench.alarm(LOST, "shunt") == "unacknowledged"


def test_readings_of_a_shunt_do_not_make_a_silent_pack_look_alive() -> None:
    age = rule("source-lost", measure=Measure.DATA_AGE, trip_at=10_000, clear_at=5_000)
    bench = Bench(mixed(rules=(age, load_rule())))
    bench.hear(2, left=None, right=None, shunt=-50_000)
    for at_s in range(3, 15):
        bench.play(meter(at_s * 1_000, current_ma=-50_000 - at_s))
        bench.play(says(at_s * 1_000, "right", None))
    assert bench.history("source-lost") == [(12_000, "unacknowledged")]


def test_a_lost_source_comes_back_and_lends_again() -> None:
    bench = Bench(mixed())
    bench.hear(2, left=None, right=None, shunt=-50_000)
    bench.hear(12, left=None, right=None)
    bench.silent()
    assert bench.current_ma("left") is None
    bench.hear(7, left=None, right=None, shunt=-40_000)
    assert bench.current_ma("left") == -20_000
    assert bench.alarm(LOST, "shunt") == "returned unacknowledged"


def test_the_alarm_names_the_packs_and_the_rules_that_go_blind() -> None:
    bench = Bench(mixed())
    bench.hear(2, left=-30_000, right=None, shunt=-50_000)
    bench.hear(11, left=-30_000, right=None)
    (told,) = [f for f in bench.facts if isinstance(f, AlarmFact) and f.alarm == LOST]
    assert (
        "Nothing else says the current of right; without it these rules are blind "
        "there: discharge-current; charge is not counted and no minutes are told."
    ) in told.message


def test_where_the_packs_say_it_themselves_a_lost_shunt_blinds_nothing() -> None:
    bench = Bench(mixed())
    bench.hear(2, left=-30_000, right=-20_000, shunt=-50_000)
    bench.hear(11, left=-30_000, right=-20_000)
    (told,) = [f for f in bench.facts if isinstance(f, AlarmFact) and f.alarm == LOST]
    assert "blind" not in told.message
    assert bench.current_ma("left") == -30_000
    assert bench.level("charge")


def test_a_limit_that_was_passed_is_not_thought_back_when_its_source_is_lost() -> None:
    bench = Bench(mixed())
    bench.hear(5, left=None, right=None, shunt=-180_000)
    assert bench.alarm("discharge-current", "left") == "unacknowledged"
    bench.hear(60, left=None, right=None)
    assert bench.alarm("discharge-current", "left") == "unacknowledged"


def test_a_limit_on_a_lent_current_acts_at_the_shunt_s_own_reading() -> None:
    bench = Bench(mixed())
    bench.hear(3, left=None, right=None, shunt=-50_000)
    bench.play(meter(3_400, current_ma=-180_000))
    assert bench.alarm("discharge-current", "right") == "unacknowledged"


# --- what rests on the merged current ------------------------------------------------


def test_charge_is_counted_by_the_lent_current_and_stops_with_it() -> None:
    bench = Bench(mixed())
    bench.hear(2, left=None, right=None, shunt=36_000)
    bench.hear(10, left=None, right=None, shunt=36_000)
    counted = bench.state.bank.returned_ma_ms
    assert counted == 11 * 36_000 * 1_000
    bench.hear(40, left=None, right=None)
    after_s = (bench.state.bank.returned_ma_ms - counted) // 36_000_000
    assert after_s == 9, "what was heard up to the stale time, and nothing after it"


def test_a_full_charge_is_not_seen_without_a_current() -> None:
    bench = Bench(mixed(packs=("left",)))
    full = replace(says(0, "left", None).sample, cells_mv=(3_500,) * 4)
    for at_s in range(1, 20):
        bench.play(Reading(at_ms=at_s * 1_000, pack="left", sample=full))
        if at_s < 5:
            bench.play(meter(at_s * 1_000, current_ma=1_000))
        is_seen = bench.state.bank.filling_ms is not None
        # The first reading finds no current yet; what is lent lasts the stale time.
        assert is_seen is (2 <= at_s < 4 + 10)


def test_a_stage_that_did_not_lower_the_shunt_s_current_is_followed_by_the_next() -> (
    None
):
    low = rule(
        "low",
        measure=Measure.LOWEST_CELL,
        trip_at=3_000,
        clear_at=3_250,
        actions=(stage(1),),
    )
    of = replace(
        mixed(rules=(low,)),
        outputs=(
            output("drying", Role.LOAD_PERMIT, stage=1),
            output("lights", Role.LOAD_PERMIT, stage=2),
        ),
    )
    bench = Bench(of)
    bench.hear(5, left=None, right=None, shunt=-50_000)
    assert bench.level("lights")
    for at_s in range(6, 40):
        at_ms = at_s * 1_000
        empty = replace(says(0, "left", None).sample, cells_mv=(2_950,) * 4)
        bench.play(meter(at_ms, current_ma=-50_000), says(at_ms, "right", None))
        bench.play(replace(says(at_ms, "left", None), sample=empty))
    assert bench.because("lights") == ("earlier-stage-without-effect",)


def test_values_that_stand_still_are_seen_although_the_lent_current_moves() -> None:
    still = rule("frozen", measure=Measure.UNCHANGED, trip_at=60_000, clear_at=1_000)
    bench = Bench(mixed(rules=(still,)))
    for second in range(80):
        bench.hear(left=None, right=None, shunt=-50_000 - second)
    assert bench.alarm("frozen", "left") == "unacknowledged"


def foretold(bench: Bench) -> tuple[int | None, str]:
    (low,) = [
        told for told in bench.state.packs[0].foretold() if told.limit is Limit.LOW
    ]
    return low.likely_ms, low.reason


def test_minutes_are_told_by_the_lent_current_and_are_unknown_without_it() -> None:
    bench = Bench(replace(lfp_site(), extras=(extra(),)))
    silent = replace(
        says(0, "left", None).sample,
        cells_mv=(3_210, 3_200, 3_211, 3_212),
        soc_permille=120,
    )

    def hear(at_s: int) -> None:
        bench.play(Reading(at_ms=at_s * 1_000, pack="left", sample=silent))

    for at_s in range(5, 900, 5):
        bench.play(meter(at_s * 1_000, current_ma=-60_000))
        hear(at_s)
    assert foretold(bench)[0] is not None
    for at_s in range(900, 915, 5):
        hear(at_s)
    assert foretold(bench) == (None, "nothing says the pack's current now")
    assert bench.state.packs[0].forecast(Limit.LOW) is None
    bench.play(meter(915_000, current_ma=-60_000))
    hear(915)
    assert foretold(bench)[0] is not None, "what was learned was kept"


# --- the second look -----------------------------------------------------------------


@pytest.mark.parametrize(("at_ms", "is_sound"), [(1, True), (0, False), (-1, False)])
def test_a_step_that_uses_what_is_stale_is_unsound(
    at_ms: int, *, is_sound: bool
) -> None:
    bench = Bench(mixed())
    outcome = bench.hear(20, left=None, right=None, shunt=-50_000)
    pack = outcome.state.packs[0]
    lent = Lent(value=Value.CURRENT, number=-25_000, by="shunt", at_ms=10_000 + at_ms)
    state = replace(
        outcome.state,
        packs=(replace(pack, lent=(lent,)), *outcome.state.packs[1:]),
    )
    assert (not faults(replace(outcome, state=state), bench.site)) is is_sound


# --- properties ----------------------------------------------------------------------


@st.composite
def drifts(draw: Any) -> list[tuple[int, int, int]]:
    """What left, right and the shunt say each second: now close, now far apart."""
    rows = []
    for _ in range(draw(st.integers(1, 4))):
        left = draw(st.integers(-80_000, 80_000))
        right = draw(st.integers(-80_000, 80_000))
        error = draw(st.sampled_from((0, 500, 5_000, 12_000, 40_000, -40_000)))
        for_s = draw(st.sampled_from((1, 5, 29, 30, 31, 40)))
        rows += [(left, right, left + right + error)] * for_s
    return rows


@settings(max_examples=20, deadline=None)
@given(drifts())
def test_a_disagreement_always_alarms_within_its_delay_and_never_without_one(
    rows: list[tuple[int, int, int]],
) -> None:
    bench = Bench(mixed(rules=(apart_rule(clear_at=999),)))
    agree = Agreement(fixed=2_000, permille=100)
    apart_s = 0
    for left, right, shunt in rows:
        # All three in one moment: what is in between is not seen by a later one.
        bench.hear(left=left, right=right, shunt=shunt)
        is_apart = agree.used_permille(shunt, left + right) >= 1_000
        is_beyond = agree.used_permille(shunt, left + right) > 999
        apart_s = apart_s + 1 if is_apart else 0
        (alarm,) = bench.state.alarms
        if apart_s > APART_DELAY_MS // 1_000:
            assert alarm.active
            assert not bench.level("charge")
        if not is_beyond:
            assert not alarm.active


def test_the_actions_of_a_disagreement_are_those_of_its_rule() -> None:
    assert apart_rule().actions == (CHARGE,)
    assert lost_rule().actions == ()
