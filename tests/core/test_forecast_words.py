"""A forecast in words: how long, why, what goes by itself and when, what helps."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest

from forecast_sites import STAGES, lfp_site
from tocsin.core.forecast import FAR_MS, Forecast, Limit
from tocsin.core.forecast.feed import tracked
from tocsin.core.foretold import FORETOLD, KILOWATTS_FROM, LEAST_RELIEF_MS, outlook
from tocsin.core.measures import PackState
from tocsin.core.model import Sample
from tocsin.core.rules import Measure, Unit

if TYPE_CHECKING:
    from tocsin.core.rules import Rule
    from tocsin.core.site import Site

SITE = lfp_site(STAGES)
MINUTE_MS = 60_000
STILL = Sample(
    cells_mv=(3_050, 3_012, 3_051, 3_052), temps_dc=(82, 75), current_ma=-100_000
)
LOW = Forecast(
    limit=Limit.LOW,
    part="2",
    early_ms=9 * MINUTE_MS,
    likely_ms=14 * MINUTE_MS,
    late_ms=22 * MINUTE_MS,
    drawn_ma=200_000,
    relief_ms=11 * MINUTE_MS,
)
HIGH = replace(LOW, limit=Limit.HIGH, drawn_ma=None, relief_ms=None)
COLD = replace(HIGH, limit=Limit.COLD)
SURGE = replace(LOW, surge_ma=180_000, surge_permille=700)


def _rule(measure: Measure) -> Rule:
    return next(rule for rule in SITE.rules if rule.measure is measure)


def _pack(told: Forecast | None, sample: Sample = STILL, **changes: Any) -> PackState:
    tracker = tracked(None, sample, 0, 4, SITE)
    assert tracker is not None
    tracker.forecasts = () if told is None else (told,)
    values: dict[str, Any] = {
        "heard_ms": 0,
        "online": True,
        "sample": sample,
        "series": 4,
        "tracker": tracker,
    }
    return PackState(**(values | changes))


def _says(
    told: Forecast | None,
    *,
    measure: Measure = Measure.LOW_CELL_TIME,
    sample: Sample = STILL,
    site: Site = SITE,
    **changes: Any,
) -> str:
    return outlook(_rule(measure), _pack(told, sample, **changes), site)


def test_a_low_cell_is_told_whole() -> None:
    # 100 A are half of what is drawn on the mean, at 12.165 V: 1.2 kW.
    assert _says(LOW) == (
        "Between 9 min and 22 min from now. "
        "Cell 2 is at 3.012 V while 100.0 A are drawn. "
        "Loads go by themselves: stage 1 in 4 min, stage 2 in 9 min. "
        "Switching off 1.2 kW gives about 11 min more."
    )


def test_a_high_cell_says_how_long_and_why() -> None:
    charged = replace(STILL, current_ma=60_000)
    assert _says(HIGH, measure=Measure.HIGH_CELL_TIME, sample=charged) == (
        "Between 9 min and 22 min from now. "
        "Cell 2 is at 3.012 V while 60.0 A are charged."
    )


def test_the_cold_names_the_sensor() -> None:
    assert _says(COLD, measure=Measure.COLD_TIME) == (
        "Between 9 min and 22 min from now. Sensor 2 is at 7.5 degC."
    )


def test_the_heat_says_what_happens_by_itself_and_what_helps() -> None:
    charged = replace(STILL, temps_dc=(431, 425), current_ma=60_000)
    hot = replace(HIGH, limit=Limit.HOT, part="1", relief_ms=11 * MINUTE_MS)
    assert _says(hot, measure=Measure.HOT_TIME, sample=charged) == (
        "Between 9 min and 22 min from now. "
        "Sensor 1 is at 43.1 degC while 60.0 A are charged. "
        "Charging is inhibited at 45.0 degC. "
        "Half of the current gives about 11 min more."
    )
    bare = replace(SITE, outputs=())
    said = _says(hot, measure=Measure.HOT_TIME, sample=charged, site=bare)
    assert "inhibited" not in said


@pytest.mark.parametrize(
    ("relief_ms", "says"),
    [
        (None, ""),
        (59_999, ""),
        (60_000, "about 1 min more."),
        (60_001, "about 1 min more."),
        (FAR_MS - 1, "about 1440 min more."),
        (FAR_MS, "keep it below for now."),
        (FAR_MS + 1, "keep it below for now."),
    ],
)
def test_less_current_is_worth_saying_from_a_minute_on(
    relief_ms: int | None, says: str
) -> None:
    hot = replace(HIGH, limit=Limit.HOT_LOAD, relief_ms=relief_ms)
    said = _says(hot, measure=Measure.HOT_LOAD_TIME)
    assert "All loads are shed at 50.0 degC." in said
    assert said.endswith(says or "at 50.0 degC.")


def test_a_surge_says_what_can_still_be_carried_beside_what_is_drawn_now() -> None:
    # 180 A less the 100 A of this moment are 80 A at 12.165 V.
    assert _says(SURGE, measure=Measure.SURGE_RISK) == (
        "This pack can still carry 180.0 A for a short time: 1.0 kW more than now."
    )


def test_while_charging_a_surge_may_take_all_that_can_be_carried() -> None:
    charged = replace(STILL, current_ma=20_000)
    text = _says(SURGE, measure=Measure.SURGE_RISK, sample=charged)
    assert "2.2 kW more than now" in text


def test_a_surge_that_is_past_what_can_be_carried_leaves_nothing() -> None:
    said = _says(replace(SURGE, surge_ma=60_000), measure=Measure.SURGE_RISK)
    assert said.endswith("0 W more than now.")


def test_of_a_surge_that_is_not_known_nothing_is_said() -> None:
    assert _says(LOW, measure=Measure.SURGE_RISK) == ""


@pytest.mark.parametrize(
    ("late_ms", "is_bounded"),
    [(FAR_MS - 1, True), (FAR_MS, False), (FAR_MS + 1, False)],
)
def test_a_range_without_an_end_says_only_how_soon(
    *, late_ms: int, is_bounded: bool
) -> None:
    text = _says(replace(LOW, late_ms=late_ms))
    assert text.startswith("Between 9 min and" if is_bounded else "At the soonest in 9")


def test_without_a_late_bound_only_the_soonest_is_said() -> None:
    assert _says(replace(LOW, late_ms=None)).startswith("At the soonest in 9 min.")


@pytest.mark.parametrize(
    ("relief_ms", "is_said"),
    [
        (LEAST_RELIEF_MS - 1, False),
        (LEAST_RELIEF_MS, True),
        (LEAST_RELIEF_MS + 1, True),
        (FAR_MS - 1, True),
        (FAR_MS, False),
        (None, False),
    ],
)
def test_relief_is_told_where_it_is_some_and_has_an_end(
    *, relief_ms: int | None, is_said: bool
) -> None:
    assert ("Switching off" in _says(replace(LOW, relief_ms=relief_ms))) is is_said


@pytest.mark.parametrize(
    ("watts", "said"),
    [
        (KILOWATTS_FROM - 10, "940 W"),
        (KILOWATTS_FROM, "0.9 kW"),
        (KILOWATTS_FROM + 10, "1.0 kW"),
    ],
)
def test_power_is_told_in_the_unit_people_use(watts: int, said: str) -> None:
    level = replace(STILL, cells_mv=(2_500,) * 4)
    half_ma = watts * 100
    text = _says(replace(LOW, drawn_ma=2 * half_ma), sample=level)
    assert f"Switching off {said} gives" in text


def test_a_pack_of_two_strings_has_the_voltage_of_one() -> None:
    doubled = replace(STILL, cells_mv=STILL.cells_mv * 2)
    assert "1.2 kW" in _says(LOW, sample=doubled)


def test_without_stages_nothing_goes_by_itself() -> None:
    assert "by themselves" not in _says(LOW, site=lfp_site())


def test_a_stage_that_is_due_already_goes_now() -> None:
    soon = replace(LOW, likely_ms=4 * MINUTE_MS, early_ms=2 * MINUTE_MS)
    assert "stage 1 in 0 min, stage 2 in 0 min" in _says(soon)


@pytest.mark.parametrize(("part", "is_said"), [("", False), ("4", True), ("5", False)])
def test_a_cell_that_the_pack_does_not_say_is_not_spoken_of(
    *, part: str, is_said: bool
) -> None:
    assert ("Cell" in _says(replace(LOW, part=part))) is is_said


@pytest.mark.parametrize("measure", FORETOLD)
def test_where_nothing_is_foretold_nothing_is_said(measure: Measure) -> None:
    assert _says(None, measure=measure) == ""
    unknown = Forecast(limit=FORETOLD[measure], reason="not known")
    assert _says(unknown, measure=measure) == ""
    assert _says(LOW, measure=measure, tracker=None) == ""


@pytest.mark.parametrize("measure", FORETOLD)
def test_without_a_sample_less_is_said_and_nothing_wrong(measure: Measure) -> None:
    told = replace(SURGE, limit=FORETOLD[measure])
    text = _says(told, measure=measure)
    bare = outlook(_rule(measure), replace(_pack(told), sample=None), SITE)
    assert len(bare) <= len(text)
    assert "None" not in bare
    assert "Cell" not in bare
    assert "Switching off" not in bare


def test_measures_that_are_not_foretold_say_nothing_ahead() -> None:
    assert _says(LOW, measure=Measure.LOWEST_CELL) == ""


def test_every_measure_of_time_is_foretold_but_ages() -> None:
    timed = {measure for measure in Measure if measure.unit is Unit.MINUTES}
    assert timed | {Measure.SURGE_RISK} == set(FORETOLD)
