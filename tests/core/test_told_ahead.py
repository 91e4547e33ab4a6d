"""What is taken over from a forecast: its times, its cell, its words, its reasons.

The forecast is written by hand here; whether forecasts are true is another matter.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest

from core_builders import Player, output, reading, rule, sample, site
from tocsin.core.events import AlarmFact, Learned
from tocsin.core.forecast.feed import fresh as fresh_tracker
from tocsin.core.forecast.result import Forecast, Limit
from tocsin.core.measures import PackState, measure
from tocsin.core.rules import Measure, Role
from tocsin.core.site import Chemistry, Site

if TYPE_CHECKING:
    from tocsin.core.forecast.pack import Tracker

CURVE = ((0, 2_500), (100, 3_200), (900, 3_330), (1_000, 3_450))
WHERE = site(chemistry=Chemistry(curve=CURVE))
LOW = Forecast(
    limit=Limit.LOW,
    part="3",
    early_ms=400_000,
    likely_ms=900_000,
    late_ms=1_500_000,
    surge_ma=80_000,
    surge_permille=250,
)
HIGH = Forecast(limit=Limit.HIGH, part="1", early_ms=1_000, likely_ms=2_000)
COLD = Forecast(limit=Limit.COLD, part="2", early_ms=3_000, likely_ms=4_000)
HOT = Forecast(limit=Limit.HOT, part="4", early_ms=5_000, likely_ms=6_000)
HOT_LOAD = Forecast(limit=Limit.HOT_LOAD, part="5", early_ms=7_000, likely_ms=8_000)


def told(*forecasts: Forecast, of: Site = WHERE) -> Tracker:
    return replace(fresh_tracker(of), forecasts=forecasts)


def pack(*forecasts: Forecast, **changes: Any) -> PackState:
    values: dict[str, Any] = {"online": True, "tracker": told(*forecasts)}
    return PackState(heard_ms=0, sample=sample(), **(values | changes))


@pytest.mark.parametrize(
    ("what", "seen"),
    [
        (Measure.LOW_CELL_TIME, (900_000, "3")),
        (Measure.LOW_CELL_TIME_EARLY, (400_000, "3")),
        (Measure.HIGH_CELL_TIME, (2_000, "1")),
        (Measure.COLD_TIME, (4_000, "2")),
        (Measure.HOT_TIME, (6_000, "4")),
        (Measure.HOT_LOAD_TIME, (8_000, "5")),
        (Measure.SURGE_RISK, (250, "3")),
    ],
)
def test_each_measure_takes_its_own_time_and_cell(
    what: Measure, seen: tuple[int, str]
) -> None:
    assert measure(what, pack(COLD, HOT_LOAD, LOW, HOT, HIGH), WHERE, 0) == seen


@pytest.mark.parametrize(
    "what",
    [
        Measure.LOW_CELL_TIME,
        Measure.LOW_CELL_TIME_EARLY,
        Measure.HIGH_CELL_TIME,
        Measure.COLD_TIME,
        Measure.HOT_TIME,
        Measure.HOT_LOAD_TIME,
        Measure.SURGE_RISK,
    ],
)
def test_what_is_not_foretold_is_not_known(what: Measure) -> None:
    assert measure(what, pack(tracker=None), WHERE, 0) == (None, "")
    assert measure(what, pack(), WHERE, 0) == (None, "")


def test_a_burst_is_no_risk_while_nothing_is_known_of_the_low_side() -> None:
    unknown = replace(LOW, likely_ms=None)
    assert measure(Measure.SURGE_RISK, pack(unknown, HIGH), WHERE, 0) == (None, "")


def test_forecasts_are_shown_as_they_were_made() -> None:
    assert pack(LOW, HIGH, COLD).foretold() == (LOW, HIGH, COLD)


@pytest.mark.parametrize(
    ("shown", "reason"),
    [
        (pack(LOW, online=False), "nothing is heard of this pack"),
        (
            pack(tracker=None),
            "the pack says no current or no cells, or its curve is not known",
        ),
        (pack(), "this pack is not known long enough"),
    ],
)
def test_of_every_limit_it_is_said_why_nothing_is_foretold(
    shown: PackState, reason: str
) -> None:
    assert shown.foretold() == tuple(Forecast(limit=x, reason=reason) for x in Limit)


# --- over time ------------------------------------------------------------------


def low_time(trip_at: int = 900_000, **changes: Any) -> Site:
    values: dict[str, Any] = {
        "measure": Measure.LOW_CELL_TIME,
        "trip_at": trip_at,
        "clear_at": trip_at + 300_000,
    }
    return site(
        rule("soon", **(values | changes)),
        outputs=[output("charge", Role.CHARGE_PERMIT)],
        packs=("left", "right"),
        chemistry=Chemistry(curve=CURVE),
    )


@pytest.mark.parametrize(
    ("trip_at", "beyond"), [(899_999, False), (900_000, True), (900_001, True)]
)
def test_a_time_to_the_cut_off_raises_its_rule_at_its_minutes(
    trip_at: int, *, beyond: bool
) -> None:
    of = low_time(trip_at)
    player = Player(of)
    player.play(
        Learned(at_ms=0, pack="right", tracker=told(LOW, of=of)),
        reading(1_000, pack="right", current_ma=-20_000),
    )
    assert (player.alarm("soon", "right") == "unacknowledged") is beyond
    assert player.alarm("soon", "left") == "normal"


def test_the_message_adds_what_the_forecast_knows() -> None:
    of = low_time()
    player = Player(of)
    player.play(
        Learned(at_ms=0, pack="right", tracker=told(LOW, of=of)),
        reading(1_000, pack="right", current_ma=-20_000),
    )
    (fact,) = (f for f in player.facts if isinstance(f, AlarmFact))
    assert fact.subject == "right/3"
    assert "Between 7 min and 25 min from now." in fact.message
    assert "Cell 3 is at 3.300 V while 20.0 A are drawn." in fact.message


def test_what_was_learned_goes_on_from_reading_to_reading() -> None:
    player = Player(WHERE)
    counted_ah = []
    for at_ms in (0, 1_000, 2_000):
        player.play(reading(at_ms, current_ma=-36_000))
        tracker = player.state.packs[0].tracker
        assert tracker is not None
        assert (tracker.begun_s, tracker.at_s) == (0, at_ms / 1_000)
        counted_ah.append(tracker.counter_ah)
    assert counted_ah[2] - counted_ah[0] == pytest.approx(-0.02)  # 36 A for 2 s


def test_what_an_earlier_run_learned_does_not_replace_what_this_one_has() -> None:
    player = Player(WHERE)
    earlier = told(LOW)
    player.play(Learned(at_ms=0, pack="left", tracker=earlier))
    assert player.state.packs[0].tracker is earlier
    player.play(Learned(at_ms=1, pack="left", tracker=told(HIGH)))
    assert player.state.packs[0].tracker is earlier
