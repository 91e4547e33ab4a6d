"""What a person may ask, the answers, and what no wish can do."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from core_builders import (
    ALL_LOADS,
    CHARGE,
    Player,
    command,
    low_rule,
    output,
    reading,
    rule,
    site,
    stage,
)
from tocsin.core.events import Event, Tick, Verb
from tocsin.core.rules import Measure, Role
from tocsin.core.site import Timing

if TYPE_CHECKING:
    from tocsin.core.site import Site

HIGH = (3_300, 3_650, 3_300, 3_300)
MINUTE_MS = 60_000
HOUR_MS = 60 * MINUTE_MS


def _player(**changes: Any) -> Player:
    """One alarm raised, another normal, on each of two packs."""
    of = site(
        rule(**changes),
        low_rule(),
        rule("trouble", measure=Measure.TROUBLE, trip_at=1, clear_at=0),
        packs=("left", "right"),
        outputs=[output("horn", Role.HORN)],
    )
    player = Player(of)
    player.play(reading(0, *HIGH), reading(0, *HIGH, pack="right"))
    return player


def _answered(player: Player, verb: Verb, alarm: str = "", **changes: Any) -> str:
    player.play(command(1_000, verb, alarm, **changes))
    answer = player.answer()
    assert (answer.at_ms, answer.verb, answer.alarm) == (1_000, verb, alarm)
    return f"{'yes' if answer.accepted else 'no'}: {answer.outcome}"


@pytest.mark.parametrize("verb", Verb)
def test_an_unknown_alarm_is_refused_by_name(verb: Verb) -> None:
    said = _answered(_player(), verb, "hgih-cell", for_ms=MINUTE_MS)
    assert said == "no: there is no alarm 'hgih-cell'"


@pytest.mark.parametrize("verb", Verb)
def test_an_unknown_subject_is_refused_by_name(verb: Verb) -> None:
    said = _answered(_player(), verb, "high-cell", subject="middle", for_ms=MINUTE_MS)
    assert said == "no: there is no subject 'middle'"


NEEDS_ALARM = [Verb.SHELVE, Verb.UNSHELVE, Verb.REMOVE, Verb.RETURN, Verb.RESET]


@pytest.mark.parametrize("verb", NEEDS_ALARM)
def test_what_is_meant_for_one_alarm_needs_its_name(verb: Verb) -> None:
    said = _answered(_player(), verb, for_ms=MINUTE_MS)
    assert said == f"no: {verb} needs the name of an alarm"


@pytest.mark.parametrize("verb", [Verb.SHELVE, Verb.REMOVE])
@pytest.mark.parametrize("reason", ["", "  "])
def test_hiding_an_alarm_needs_a_reason(verb: Verb, reason: str) -> None:
    player = _player()
    said = _answered(player, verb, "high-cell", reason=reason, for_ms=MINUTE_MS)
    assert said == f"no: {verb} needs a reason"
    assert player.alarm("high-cell") == "unacknowledged"


@pytest.mark.parametrize(
    ("for_ms", "said"),
    [
        (-1, "no: high-cell is shelved for 1 to 720 min"),
        (0, "no: high-cell is shelved for 1 to 720 min"),
        (1, "yes: 2 changed"),
        (12 * HOUR_MS - 1, "yes: 2 changed"),
        (12 * HOUR_MS, "yes: 2 changed"),
        (12 * HOUR_MS + 1, "no: high-cell is shelved for 1 to 720 min"),
    ],
)
def test_an_alarm_is_shelved_only_within_its_limit(for_ms: int, said: str) -> None:
    assert _answered(_player(), Verb.SHELVE, "high-cell", for_ms=for_ms) == said


def test_an_alarm_that_may_not_be_shelved_is_not() -> None:
    player = _player(max_shelve_ms=0)
    said = _answered(player, Verb.SHELVE, "high-cell", for_ms=1)
    assert said == "no: high-cell cannot be shelved"
    assert player.alarm("high-cell") == "unacknowledged"


@pytest.mark.parametrize(
    ("for_ms", "said"),
    [
        (-1, "no: silence lasts at most 60 min"),
        (0, "yes: silent for 600 s; a new alarm sounds all the same"),
        (1_000, "yes: silent for 1 s; a new alarm sounds all the same"),
        (HOUR_MS - 1, "yes: silent for 3599 s; a new alarm sounds all the same"),
        (HOUR_MS, "yes: silent for 3600 s; a new alarm sounds all the same"),
        (HOUR_MS + 1, "no: silence lasts at most 60 min"),
    ],
)
def test_silence_lasts_an_hour_at_most(for_ms: int, said: str) -> None:
    player = _player()
    assert _answered(player, Verb.SILENCE, for_ms=for_ms) == said
    assert player.alarm("high-cell") == "unacknowledged"
    assert player.because("horn") == (() if said[0] == "y" else ("high-cell",))


@pytest.mark.parametrize(
    ("verb", "alarm", "subject", "said"),
    [
        (Verb.ACKNOWLEDGE, "", "", "yes: 2 changed"),
        (Verb.ACKNOWLEDGE, "high-cell", "", "yes: 2 changed"),
        (Verb.ACKNOWLEDGE, "high-cell", "right", "yes: 1 changed"),
        (Verb.ACKNOWLEDGE, "", "left", "yes: 1 changed"),
        (Verb.ACKNOWLEDGE, "low-cell", "", "no: nothing to change"),
        (Verb.ACKNOWLEDGE, "high-cell", "mqtt", "no: nothing to change"),
        (Verb.RESET, "high-cell", "", "no: nothing to change"),
        (Verb.UNSHELVE, "high-cell", "", "no: nothing to change"),
        (Verb.RETURN, "high-cell", "", "no: nothing to change"),
        (Verb.REMOVE, "high-cell", "", "yes: 2 changed"),
        (Verb.REMOVE, "high-cell", "left", "yes: 1 changed"),
    ],
)
def test_a_wish_is_answered_with_what_it_changed(
    verb: Verb, alarm: str, subject: str, said: str
) -> None:
    assert _answered(_player(), verb, alarm, subject=subject) == said


@pytest.mark.parametrize(
    ("first", "then"),
    [
        (Verb.SHELVE, Verb.UNSHELVE),
        (Verb.REMOVE, Verb.RETURN),
        (Verb.ACKNOWLEDGE, None),
    ],
)
def test_what_is_done_is_not_done_twice(first: Verb, then: Verb | None) -> None:
    player = _player()
    asked = command(500, first, "high-cell", for_ms=MINUTE_MS)
    player.play(asked, asked)
    assert player.answer().outcome == "nothing to change"
    if then is not None:
        assert _answered(player, then, "high-cell") == "yes: 2 changed"


def test_a_latch_is_reset_only_after_its_cause_has_gone_and_someone_saw_it() -> None:
    player = _player(latching=True)
    told = []
    for event in (
        command(100, Verb.ACKNOWLEDGE),
        command(200, Verb.RESET, "high-cell"),
        reading(300),
        command(400, Verb.RESET, "high-cell"),
    ):
        player.play(event)
        told += [f.outcome for f in player.outcomes[-1].facts if hasattr(f, "outcome")]
    assert told == ["2 changed", "nothing to change", "1 changed"]


def test_the_answer_says_who_asked_and_why() -> None:
    player = _player()
    asked = command(
        1_000, Verb.REMOVE, "high-cell", subject="left", by="lina", reason="new lug"
    )
    player.play(asked)
    answer = player.answer()
    assert (answer.by, answer.reason, answer.subject) == ("lina", "new lug", "left")


def test_a_refused_wish_changes_nothing() -> None:
    player = _player()
    before = player.state
    _answered(player, Verb.SHELVE, "high-cell", for_ms=10**9)
    after = player.state
    assert (after.alarms, after.bank) == (before.alarms, before.bank)


def _permits() -> Site:
    return site(
        rule(actions=(CHARGE,), latching=True),
        low_rule(actions=(stage(2),), latching=True, needs_charge_back=True),
        rule(
            "drain",
            measure=Measure.DISCHARGE_CURRENT,
            trip_at=90_000,
            clear_at=50_000,
            actions=(stage(1), CHARGE),
            suppressed_by=("low-cell",),
        ),
        rule(
            "lost",
            measure=Measure.DATA_AGE,
            trip_at=4_000,
            clear_at=0,
            actions=(CHARGE, ALL_LOADS),
            is_data_loss=True,
        ),
        outputs=[
            output("charge", Role.CHARGE_PERMIT),
            output("drying", Role.LOAD_PERMIT, stage=1, hold_ms=9_000),
            output("kitchen", Role.LOAD_PERMIT, stage=2, hold_ms=9_000),
        ],
        timing=Timing(
            good_scans=2, stale_ms=6_000, restore_gap_ms=3_000, restore_permille=0
        ),
    )


@st.composite
def _histories(draw: st.DrawFn) -> list[Event]:
    at_ms, events = 0, list[Event]()
    for _ in range(draw(st.integers(5, 40))):
        at_ms += draw(st.sampled_from((0, 500, 1_000, 5_000)))
        if draw(st.booleans()):
            cells = draw(st.sampled_from(((3_300,) * 4, HIGH, (2_900,) * 4)))
            current_ma = draw(st.sampled_from((0, 20_000, -95_000)))
            events.append(reading(at_ms, *cells, current_ma=current_ma))
            continue
        names = ("high-cell", "low-cell", "drain", "lost")
        verb = draw(st.sampled_from(Verb))
        alarm = draw(st.sampled_from(names))
        events.append(command(at_ms, verb, alarm, for_ms=2_000))
    return events


def _energised(player: Player) -> set[str]:
    return {d.output for d in player.outcomes[-1].demands if d.energised}


@settings(max_examples=200, deadline=None)
@given(_histories())
def test_no_wish_energises_a_permit_that_was_not_energised(events: list[Event]) -> None:
    player = Player(_permits())
    for event in events:
        # What time alone brings back up to this moment is not the wish's doing.
        player.play(Tick(at_ms=event.at_ms))
        before = _energised(player)
        player.play(event)
        if isinstance(event, type(command(0, Verb.SILENCE))):
            assert _energised(player) <= before
            assert player.answer().at_ms == event.at_ms


def test_a_permit_freed_by_a_reset_waits_for_a_reading_taken_after_it() -> None:
    player = Player(_permits())
    player.play(reading(0), reading(1_000), reading(2_000, *HIGH), reading(3_000))
    player.play(command(3_100, Verb.ACKNOWLEDGE))
    player.play(command(3_200, Verb.RESET, "high-cell"))
    assert player.alarm("high-cell") == "normal"
    assert not player.level("charge")
    assert player.because("charge") == ("waiting-for-data",)
    player.tick(3_900)
    assert not player.level("charge")
    player.play(reading(4_000))
    assert player.level("charge")


def test_a_reset_does_not_drop_a_permit_that_it_has_nothing_to_do_with() -> None:
    player = Player(_permits())
    player.play(reading(0), reading(1_000, *HIGH), reading(2_000))
    player.play(command(2_100, Verb.ACKNOWLEDGE))
    assert player.level("kitchen")
    player.play(command(2_200, Verb.RESET, "high-cell"))
    assert player.level("kitchen")


def _latched(packs: tuple[str, ...]) -> Player:
    """Every pack was read well at 3 s; what held the permit was acknowledged."""
    of = site(
        rule(actions=(CHARGE,), latching=True),
        packs=packs,
        outputs=[output("charge", Role.CHARGE_PERMIT)],
        timing=Timing(good_scans=1),
    )
    player = Player(of)
    for at_ms, cells in ((0, (3_300,) * 4), (2_000, HIGH), (3_000, (3_300,) * 4)):
        player.play(*(reading(at_ms, *cells, pack=pack) for pack in packs))
    player.play(command(3_500, Verb.ACKNOWLEDGE))
    return player


@pytest.mark.parametrize(
    ("read_ms", "is_on"), [(4_000, False), (4_001, True), (5_000, True)]
)
def test_only_a_reading_later_than_the_reset_gives_the_permit_back(
    read_ms: int, *, is_on: bool
) -> None:
    player = _latched(("left",))
    player.play(command(4_000, Verb.RESET, "high-cell"), reading(read_ms))
    assert player.level("charge") is is_on


def test_after_a_reset_every_pack_must_be_read_before_the_permit_is_given_back() -> (
    None
):
    player = _latched(("left", "right"))
    player.play(command(4_000, Verb.RESET, "high-cell"), reading(5_000))
    assert not player.level("charge")
    player.play(reading(5_100, pack="right"))
    assert player.level("charge")


@pytest.mark.parametrize("verb", [Verb.ACKNOWLEDGE, Verb.RESET])
def test_a_wish_that_frees_nothing_delays_no_permit(verb: Verb) -> None:
    of = site(
        rule(actions=(CHARGE,)),
        outputs=[output("charge", Role.CHARGE_PERMIT, min_off_ms=5_000)],
        timing=Timing(good_scans=1),
    )
    player = Player(of)
    player.play(reading(0), reading(1_000, *HIGH), reading(2_000))
    player.play(command(3_000, verb, "high-cell"))
    player.tick(6_000)
    assert player.level("charge")
