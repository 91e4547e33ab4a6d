"""What a person reads: what, how much, what happens by itself, what to do."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from core_builders import (
    ALL_LOADS,
    CHARGE,
    Player,
    low_rule,
    output,
    reading,
    rule,
    site,
    stage,
)
from tocsin.core.alarm import Alarm, AlarmState
from tocsin.core.events import AlarmFact, Trouble
from tocsin.core.rules import Action, Measure, Priority, Role, Rule
from tocsin.core.words import PHRASES, SAID_WITHOUT_NUMBER, message

BARE = site(rule())
GENERATOR = Action(role=Role.GENERATOR_CALL)
HEATER = Action(role=Role.HEATER_CALL)

LAID_OVER: dict[AlarmState, dict[str, Any]] = {
    AlarmState.SHELVED: {"shelved_until_ms": 1},
    AlarmState.SUPPRESSED: {"suppressed": True, "base": AlarmState.UNACKNOWLEDGED},
    AlarmState.OUT_OF_SERVICE: {"in_service": False},
}


def _alarm(state: AlarmState, **changes: Any) -> Alarm:
    values: dict[str, Any] = {"where": "right/11", "value": 2}
    values |= LAID_OVER.get(state, {"base": state})
    alarm = Alarm(index=0, subject="right", **(values | changes))
    assert alarm.state is state
    return alarm


def _rule(measure: Measure, **changes: Any) -> Rule:
    return rule("any", measure=measure, trip_at=5, clear_at=1, **changes)


@pytest.mark.parametrize("measure", Measure)
def test_every_measure_has_a_phrase_of_its_own(measure: Measure) -> None:
    others = [phrase for what, phrase in PHRASES.items() if what is not measure]
    assert PHRASES[measure]
    assert PHRASES[measure] not in others
    assert PHRASES[measure][0].isupper()


@pytest.mark.parametrize("measure", Measure)
@pytest.mark.parametrize("state", AlarmState)
def test_every_state_of_every_measure_is_said_in_whole_sentences(
    measure: Measure, state: AlarmState
) -> None:
    text = message(_rule(measure), _alarm(state), BARE)
    assert text.startswith(f"{PHRASES[measure]} (right/11)")
    assert text.endswith(".")
    assert "None" not in text
    assert "  " not in text


@pytest.mark.parametrize("measure", Measure)
def test_no_two_states_that_ask_for_something_else_read_the_same(
    measure: Measure,
) -> None:
    asks = set(AlarmState) - {AlarmState.RETURNED, AlarmState.LATCHED_ACKNOWLEDGED}
    texts = {message(_rule(measure), _alarm(state), BARE) for state in asks}
    assert len(texts) == len(asks)


IN_UNITS = [
    (Measure.LOWEST_CELL, 2_953, 3_000, "2.953 V", "3.000 V"),
    (Measure.CELL_SPREAD, 45, 30, "0.045 V", "0.030 V"),
    (Measure.COLDEST, -42, 50, "-4.2 degC", "5.0 degC"),
    (Measure.CHARGE_CURRENT, 141_260, 140_000, "141.3 A", "140.0 A"),
    (Measure.DATA_AGE, 12_345, 10_000, "12.3 s", "10.0 s"),
    (Measure.SINCE_FULL, 2_592_000_000, 1_209_600_000, "30.0 days", "14.0 days"),
    (Measure.STRING_SHARE, 253, 200, "25.3 %", "20.0 %"),
    (Measure.MISSING, 2, 1, "2", "1"),
]


@pytest.mark.parametrize(("measure", "value", "limit", "said", "limit_said"), IN_UNITS)
def test_a_new_alarm_says_its_value_and_its_limit_in_units(
    measure: Measure, value: int, limit: int, said: str, limit_said: str
) -> None:
    limits = rule("any", measure=measure, trip_at=limit, clear_at=limit + 1)
    alarm = _alarm(AlarmState.UNACKNOWLEDGED, value=value)
    text = message(limits, alarm, BARE)
    assert text == f"{PHRASES[measure]} (right/11): {said}, limit {limit_said}."


@pytest.mark.parametrize("measure", sorted(SAID_WITHOUT_NUMBER))
def test_what_is_so_or_is_not_is_said_without_a_number(measure: Measure) -> None:
    text = message(_rule(measure), _alarm(AlarmState.UNACKNOWLEDGED), BARE)
    assert text == f"{PHRASES[measure]} (right/11)."


def test_a_value_that_was_never_read_is_left_out() -> None:
    alarm = _alarm(AlarmState.UNACKNOWLEDGED, value=None, where="")
    text = message(rule(), alarm, BARE)
    assert text == "Highest cell (right), limit 3.600 V."


@pytest.mark.parametrize(
    ("state", "ending"),
    [
        (AlarmState.NORMAL, "back behind its limit."),
        (AlarmState.ACKNOWLEDGED, "acknowledged."),
        (AlarmState.RETURNED, "back behind its limit."),
        (AlarmState.LATCHED_UNACKNOWLEDGED, "gone, kept until someone resets it."),
        (AlarmState.LATCHED_ACKNOWLEDGED, "acknowledged."),
        (AlarmState.SHELVED, "shelved, not present now."),
        (AlarmState.SUPPRESSED, "suppressed by design, not present now."),
        (AlarmState.OUT_OF_SERVICE, "out of service, not present now."),
    ],
)
def test_every_other_state_says_what_became_of_it(
    state: AlarmState, ending: str
) -> None:
    text = message(rule(), _alarm(state, value=3_650), BARE)
    assert text == f"Highest cell (right/11): 3.650 V: {ending}"


@pytest.mark.parametrize("state", LAID_OVER)
def test_a_hidden_alarm_says_whether_it_is_present(state: AlarmState) -> None:
    text = message(rule(), _alarm(state, active=True), BARE)
    assert text.endswith(f"{state}, present now.")


@pytest.mark.parametrize("state", list(AlarmState))
def test_a_reason_given_stands_in_every_message(state: AlarmState) -> None:
    text = message(rule(), _alarm(state), BARE, detail="disk full")
    assert text.startswith("Highest cell (right/11): disk full")


ALL_OUTPUTS = (
    output("charge", Role.CHARGE_PERMIT),
    output("drying", Role.LOAD_PERMIT, stage=1, hold_ms=300_000),
    output("kitchen", Role.LOAD_PERMIT, stage=2, hold_ms=120_000),
    output("set", Role.GENERATOR_CALL),
    output("heater", Role.HEATER_CALL),
    output("horn", Role.HORN),
    output("lamp", Role.BEACON),
)

BY_ITSELF = [
    (CHARGE, "charging is inhibited", Role.CHARGE_PERMIT),
    (stage(2), "load stage 2 is dropped", Role.LOAD_PERMIT),
    (ALL_LOADS, "all load stages are dropped", Role.LOAD_PERMIT),
    (GENERATOR, "the generator is asked to start", Role.GENERATOR_CALL),
    (HEATER, "the heater is asked for", Role.HEATER_CALL),
]

NEW = replace(_alarm(AlarmState.UNACKNOWLEDGED), value=3_650)


@pytest.mark.parametrize(("action", "done", "role"), BY_ITSELF)
def test_a_new_alarm_says_what_happens_by_itself(
    action: Action, done: str, role: Role
) -> None:
    acting = rule(actions=(action,), action="Switch the charger off.")
    whole = site(acting, outputs=ALL_OUTPUTS)
    text = message(acting, NEW, whole)
    assert text.endswith(f". By itself: {done}. Switch the charger off.")
    without = site(acting, outputs=[o for o in ALL_OUTPUTS if o.role is not role])
    text = message(acting, NEW, without)
    assert "By itself" not in text
    assert text.endswith("limit 3.600 V. Switch the charger off.")


@pytest.mark.parametrize(
    ("acts_on", "done"),
    [
        (1, ""),
        (2, "By itself: load stage 2 is dropped."),
        (3, "By itself: load stage 2 is dropped."),
        (4, "By itself: load stage 4 is dropped."),
    ],
)
def test_only_a_stage_that_the_site_has_is_said_to_drop(
    acts_on: int, done: str
) -> None:
    acting = rule(actions=(stage(acts_on),))
    outputs = [output(f"l{i}", Role.LOAD_PERMIT, stage=i) for i in (2, 4)]
    text = message(acting, NEW, site(acting, outputs=outputs))
    assert text.partition("limit 3.600 V.")[2].strip() == done


def test_several_outputs_are_listed_in_the_order_of_the_rule() -> None:
    acting = rule(actions=tuple(action for action, _, _ in BY_ITSELF if action.stage))
    both = rule(actions=(GENERATOR, CHARGE, HEATER, *acting.actions))
    outputs = [o for o in ALL_OUTPUTS if o.role is not Role.HEATER_CALL]
    text = message(both, NEW, site(both, outputs=outputs))
    assert text.endswith(
        "By itself: the generator is asked to start, charging is inhibited, "
        "load stage 2 is dropped."
    )


@pytest.mark.parametrize("role", [Role.HORN, Role.BEACON])
def test_sound_and_light_need_no_words(role: Role) -> None:
    loud = rule(actions=(Action(role=role),))
    assert "By itself" not in message(loud, NEW, site(loud, outputs=ALL_OUTPUTS))


def test_lost_data_counts_down_the_shortest_hold_time() -> None:
    lost = _rule(Measure.DATA_AGE, is_data_loss=True, actions=(ALL_LOADS,))
    text = message(lost, NEW, site(lost, outputs=ALL_OUTPUTS))
    assert "By itself: all load stages are kept for 120 s more, then dropped." in text


@pytest.mark.parametrize(
    "state", [s for s in AlarmState if s is not AlarmState.UNACKNOWLEDGED]
)
def test_only_a_new_alarm_says_what_to_do(state: AlarmState) -> None:
    acting = rule(actions=(CHARGE,), action="Switch the charger off.")
    text = message(acting, _alarm(state), site(acting, outputs=ALL_OUTPUTS))
    assert "By itself" not in text
    assert "Switch" not in text


def _told(player: Player) -> list[str]:
    return [fact.message for fact in player.facts if isinstance(fact, AlarmFact)]


def test_the_message_names_the_worst_cell_at_the_moment_of_the_alarm() -> None:
    of = site(
        low_rule(on_delay_ms=2_000, action="Start the diesel set."),
        outputs=ALL_OUTPUTS,
    )
    player = Player(of)
    player.play(
        reading(0, 3_300, 2_990, 3_300, 3_300),
        reading(1_000, 3_300, 2_980, 2_970, 3_300),
    )
    player.tick(2_000)
    player.play(reading(3_000))
    assert _told(player) == [
        "Lowest cell (left/3): 2.970 V, limit 3.000 V. Start the diesel set.",
        "Lowest cell (left/3): 3.300 V: back behind its limit.",
    ]


def test_trouble_says_what_the_part_says() -> None:
    trouble = rule(
        "trouble",
        measure=Measure.TROUBLE,
        trip_at=1,
        clear_at=0,
        priority=Priority.LOW,
        action="Free some space.",
    )
    player = Player(site(trouble))
    player.play(Trouble(at_ms=1_000, part="journal", reason="disk full"))
    assert _told(player) == [
        "A part of the daemon cannot do its work (journal): disk full. Free some space."
    ]
