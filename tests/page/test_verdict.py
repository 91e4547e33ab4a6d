"""The four answers of the first screen, and what is drawn."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest

from core_builders import output, reading, site
from tocsin.core.engine import Outcome, step
from tocsin.core.events import Command, ProofBegin, Tick, Verb
from tocsin.core.forecast import FAR_MS, Forecast, Limit
from tocsin.core.rules import Action, Measure, Priority, Role, Rule
from tocsin.core.state import fresh
from tocsin.page.verdict import lasting, verdict
from tocsin.page.view import limits, picture

if TYPE_CHECKING:
    from tocsin.core.site import Site

LOW = Rule(
    name="low-cell",
    measure=Measure.LOWEST_CELL,
    trip_at=3_000,
    clear_at=3_100,
    priority=Priority.HIGH,
    action="Switch off the kettle.",
    actions=(Action(role=Role.LOAD_PERMIT, stage=1),),
)
SOON = Rule(
    name="shed-stage-1-forecast",
    measure=Measure.LOW_CELL_TIME,
    trip_at=10 * 60_000,
    clear_at=45 * 60_000,
    priority=Priority.LOW,
    actions=(Action(role=Role.LOAD_PERMIT, stage=1),),
)
OUTPUTS = (
    output("charge", Role.CHARGE_PERMIT),
    output("kitchen", Role.LOAD_PERMIT, stage=1),
    output("horn", Role.HORN),
)
HUT = site(LOW, SOON, outputs=OUTPUTS, cells=2)


def run(of: Site, *cells: int, seconds: int = 120) -> Outcome:
    """Return the outcome after so many seconds of the same reading."""
    outcome = step(fresh(of, now_ms=0), Tick(at_ms=0), of)
    for second in range(1, seconds + 1):
        outcome = step(outcome.state, reading(second * 1_000, *cells), of)
    return outcome


def foretold(outcome: Outcome, **told: Any) -> Outcome:
    """Return *outcome* with a forecast in place of what its tracker would say."""

    class Told:
        forecasts = (Forecast(limit=Limit.LOW, part="2", **told),)

    packs = tuple(replace(p, tracker=Told()) for p in outcome.state.packs)  # type: ignore[arg-type]
    return replace(outcome, state=replace(outcome.state, packs=packs))


def test_before_a_word_from_the_battery_nothing_is_called_well() -> None:
    outcome = step(fresh(HUT, now_ms=0), Tick(at_ms=0), HUT)
    told = verdict(outcome, HUT)
    assert told["level"] == "blind"
    assert told["headline"] == "Not a word from the battery yet"
    assert told["todo"] == [
        "See that the battery and its cable to this machine are on."
    ]


def test_a_quiet_battery_is_well_and_asks_for_nothing() -> None:
    told = verdict(run(HUT, 3_300, 3_300), HUT)
    assert (told["level"], told["headline"]) == ("well", "All is well")
    assert (told["steps"], told["todo"]) == ([], [])


def test_a_battery_that_fell_silent_is_not_well() -> None:
    outcome = run(HUT, 3_300, 3_300)
    later = step(outcome.state, Tick(at_ms=200_000), HUT)
    told = verdict(later, HUT)
    assert (told["level"], told["headline"]) == ("blind", "The battery cannot be seen")


def test_a_high_alarm_says_act_and_what_and_what_is_done_already() -> None:
    told = verdict(run(HUT, 3_300, 2_990), HUT)
    assert (told["level"], told["headline"]) == ("act", "Act now")
    assert told["todo"] == ["Switch off the kettle."]
    assert {
        "in_s": None,
        "in": "",
        "what": "The load kitchen is off: lowest cell (low-cell).",
    } in told["steps"]


def test_what_came_and_went_is_to_be_looked_at() -> None:
    outcome = run(HUT, 3_300, 2_990)
    for second in range(121, 240):
        outcome = step(outcome.state, reading(second * 1_000, 3_300, 3_300), HUT)
    assert verdict(outcome, HUT)["todo"] == [
        "Look at what came and went, and acknowledge it."
    ]


@pytest.mark.parametrize(
    ("minutes", "words"),
    [
        (0, "0 min"),
        (119, "119 min"),
        (120, "2 h"),
        (121, "2 h"),
        (126, "2 h 10 min"),
        (719, "12 h"),
    ],
)
def test_times_are_said_no_finer_than_they_are_known(minutes: int, words: str) -> None:
    assert lasting(minutes * 60_000) == words


def test_the_time_left_is_said_with_its_band_and_what_comes_before_it() -> None:
    outcome = foretold(
        run(HUT, 3_300, 3_300),
        early_ms=20 * 60_000,
        likely_ms=30 * 60_000,
        late_ms=50 * 60_000,
    )
    told = verdict(outcome, HUT)
    assert told["time"]["big"] == "30 min"
    assert "cell 2 of left first; between 20 min and 50 min" in told["time"]["small"]
    assert told["steps"] == [
        {"in_s": 1_200, "in": "20 min", "what": "switched off: kitchen"},
        {
            "in_s": 1_800,
            "in": "30 min",
            "what": "the battery's own protection cuts off",
        },
    ]


def test_a_far_cut_off_is_more_than_a_day() -> None:
    far = {"early_ms": FAR_MS, "likely_ms": FAR_MS, "late_ms": FAR_MS}
    told = verdict(foretold(run(HUT, 3_300, 3_300), **far), HUT)
    assert told["time"]["big"] == "More than a day"
    assert told["steps"] == []


def test_an_unknown_time_is_never_a_long_one() -> None:
    outcome = foretold(run(HUT, 3_300, 3_300), reason="the pack says no current")
    told = verdict(outcome, HUT)
    assert told["time"]["big"] == "Time not known"
    assert "the pack says no current" in told["time"]["small"]


def test_every_limit_of_a_cell_is_drawn_the_protections_apart() -> None:
    drawn = limits(HUT)["cell_v"]
    assert [(each["at"], each["own"]) for each in drawn] == [
        (HUT.low_cut_mv / 1000, True),
        (3.0, False),
        (HUT.high_cut_mv / 1000, True),
    ]


def test_an_alarm_says_what_may_be_done_with_it() -> None:
    outcome = run(HUT, 3_300, 2_990)
    shown = picture(outcome, HUT, wall_ms=0, told=0)
    (alarm,) = shown["alarms"]
    assert (alarm["of"], alarm["verbs"]) == ("left", ["acknowledge", "shelve"])
    seen = Command(at_ms=121_000, verb=Verb.ACKNOWLEDGE, by="a test")
    later = step(outcome.state, seen, HUT)
    (alarm,) = picture(later, HUT, wall_ms=0, told=0)["alarms"]
    assert alarm["verbs"] == ["shelve"]


def test_a_proof_test_says_so_and_its_alarm_is_nothing_to_act_on() -> None:
    begin = ProofBegin(at_ms=121_000, alarm="low-cell", by="warden", for_ms=60_000)
    outcome = step(run(HUT, 3_300, 3_300).state, begin, HUT)
    outcome = step(outcome.state, reading(122_000, 3_300, 3_300), HUT)
    shown = picture(outcome, HUT, wall_ms=0, told=0)
    assert shown["proving"]["alarm"] == "low-cell"
    (alarm,) = shown["alarms"]
    assert (alarm["proving"], alarm["verbs"], alarm["sounding"]) == (True, [], False)
    assert shown["verdict"]["headline"] == "A proof test goes on"
    assert shown["verdict"]["todo"] == []
