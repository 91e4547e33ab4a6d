"""Rules on minutes, each on its own lead, in the real core with the LFP preset.

What is foretold is written by the test, as a function of time.
"""

from __future__ import annotations

from dataclasses import replace
from random import Random
from typing import TYPE_CHECKING

import pytest

from core_builders import Player
from forecast_sites import STAGES, lfp_site
from tocsin.core.events import Reading
from tocsin.core.forecast import FAR_MS, Forecast, Limit, outlook
from tocsin.core.foretold import FORETOLD
from tocsin.core.model import Sample
from tocsin.core.rules import Measure, Rule

if TYPE_CHECKING:
    from collections.abc import Callable

SITE = lfp_site(STAGES)
RULES = [rule for rule in SITE.rules if rule.measure in FORETOLD]
MINUTE_MS = 60_000
STEP_S = 5
STILL = Sample(
    cells_mv=(3_250, 3_240, 3_251, 3_252),
    temps_dc=(200, 210),
    current_ma=-20_000,
    voltage_mv=12_993,
)


def _told(limit: Limit, time_ms: int) -> Forecast:
    return Forecast(
        limit=limit, part="2", early_ms=time_ms, likely_ms=time_ms, late_ms=time_ms
    )


def _valued(rule: Rule, value: int) -> Forecast:
    """Return the forecast at which *rule* sees *value*."""
    limit = FORETOLD[rule.measure]
    if rule.measure is Measure.SURGE_RISK:
        return replace(_told(limit, FAR_MS), surge_permille=value, surge_ma=90_000)
    if rule.measure is Measure.LOW_CELL_TIME_EARLY:
        return replace(_told(limit, FAR_MS), early_ms=value)
    return _told(limit, value)


class Watched(Player):
    """A core that hears a pack standing still, and what the test foretells of it."""

    def __init__(
        self,
        monkeypatch: pytest.MonkeyPatch,
        script: Callable[[float], Forecast],
    ) -> None:
        super().__init__(SITE)

        def ahead(_: object, at_s: float) -> tuple[Forecast, ...]:
            told = script(at_s)
            quiet = [_told(limit, FAR_MS) for limit in Limit]
            return tuple(told if told.limit is each.limit else each for each in quiet)

        monkeypatch.setattr(outlook, "ahead", ahead)

    def until(self, second: int) -> None:
        for at_s in range(self.state.now_ms // 1000 + STEP_S, second + 1, STEP_S):
            self.play(Reading(at_ms=at_s * 1000, pack="left", sample=STILL))


def _is_worse(rule: Rule) -> int:
    return 1 if rule.rises else -1


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.name)
@pytest.mark.parametrize(("beyond", "is_raised"), [(-1, False), (0, True), (1, True)])
def test_each_rule_is_raised_at_its_own_limit(
    *, monkeypatch: pytest.MonkeyPatch, rule: Rule, beyond: int, is_raised: bool
) -> None:
    value = rule.trip_at + beyond * _is_worse(rule)
    core = Watched(monkeypatch, lambda _: _valued(rule, value))
    core.until(120 + rule.on_delay_ms // 1000)
    raised = [fact for fact in core.history(rule.name) if fact[1] != "normal"]
    assert bool(raised) is is_raised


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.name)
@pytest.mark.parametrize(("behind", "clears"), [(-1, False), (0, True), (1, True)])
def test_each_rule_returns_at_its_own_clear_limit(
    *, monkeypatch: pytest.MonkeyPatch, rule: Rule, behind: int, clears: bool
) -> None:
    begun_s = 300 + rule.on_delay_ms // 1000
    back = rule.clear_at - behind * _is_worse(rule)

    def script(at_s: float) -> Forecast:
        return _valued(rule, rule.trip_at if at_s < begun_s else back)

    core = Watched(monkeypatch, script)
    core.until(begun_s + 120 + rule.off_delay_ms // 1000)
    states = [state for _, state in core.history(rule.name)]
    assert (len(states) == 2) is clears
    assert states[0] in {"unacknowledged", "suppressed by design"}


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.name)
def test_a_forecast_that_jitters_around_the_limit_raises_once(
    monkeypatch: pytest.MonkeyPatch, rule: Rule
) -> None:
    random = Random(7)

    def script(_: float) -> Forecast:
        return _valued(rule, round(rule.trip_at * random.uniform(0.8, 1.2)))

    core = Watched(monkeypatch, script)
    core.until(2 * 3600)
    assert len(core.history(rule.name)) == 1


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.name)
def test_a_forecast_that_jitters_around_the_clear_limit_returns_once_at_most(
    monkeypatch: pytest.MonkeyPatch, rule: Rule
) -> None:
    random, begun_s = Random(7), 300 + rule.on_delay_ms // 1000

    def script(at_s: float) -> Forecast:
        jitter = round(rule.clear_at * random.uniform(0.8, 1.2))
        return _valued(rule, rule.trip_at if at_s < begun_s else jitter)

    core = Watched(monkeypatch, script)
    core.until(2 * 3600)
    assert 1 <= len(core.history(rule.name)) <= 2


def test_a_time_that_runs_down_meets_every_rule_in_its_turn(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    end_s = 3600
    core = Watched(
        monkeypatch, lambda at_s: _told(Limit.LOW, round((end_s - at_s) * 1000))
    )
    core.until(end_s - 60)
    for name, leads in (
        ("low-cell-forecast", 1.1),
        ("generator-forecast", 1.0),
        ("shed-stage-1-forecast", 0.67),
        ("shed-stage-2-forecast", 0.33),
    ):
        rule = next(rule for rule in RULES if rule.name == name)
        (raised,) = core.history(name)
        due_ms = end_s * 1000 - round(leads * 15 * MINUTE_MS) + rule.on_delay_ms
        assert due_ms <= raised[0] <= due_ms + 20_000


def test_the_generator_is_called_and_the_stages_go_each_at_its_own_time(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    end_s = 3600
    core = Watched(
        monkeypatch, lambda at_s: _told(Limit.LOW, round((end_s - at_s) * 1000))
    )
    core.until(end_s - 60)
    moves = {
        name: core.moves(name) for name in ("generator", "drying", "kitchen", "charge")
    }
    (called,) = moves["generator"]
    assert called[1]
    assert [level for _, level in moves["drying"]] == [True, False]
    assert [level for _, level in moves["kitchen"]] == [True, False]
    assert called[0] < moves["drying"][-1][0] < moves["kitchen"][-1][0]
    # What the low side foretells is no reason to refuse charge.
    assert [level for _, level in moves["charge"]] == [True]


def test_an_early_bound_alone_calls_the_generator_and_sheds_nothing(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    told = replace(_told(Limit.LOW, 60 * MINUTE_MS), early_ms=10 * MINUTE_MS)
    core = Watched(monkeypatch, lambda _: told)
    core.until(600)
    assert core.level("generator")
    assert core.level("drying")
    assert core.history("low-cell-forecast") == []


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.name)
def test_what_becomes_unknown_neither_raises_nor_returns(
    monkeypatch: pytest.MonkeyPatch, rule: Rule
) -> None:
    limit = FORETOLD[rule.measure]
    begun_s = 300 + rule.on_delay_ms // 1000

    def script(at_s: float) -> Forecast:
        unknown = Forecast(limit=limit, reason="nothing is known")
        return _valued(rule, rule.trip_at) if at_s < begun_s else unknown

    core = Watched(monkeypatch, script)
    core.until(begun_s + 1_200)
    assert len(core.history(rule.name)) == 1
    blind = Watched(
        monkeypatch, lambda _: Forecast(limit=limit, reason="nothing is known")
    )
    blind.until(600)
    assert blind.history(rule.name) == []


def test_the_alarm_names_the_cell_and_says_what_is_foretold(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    told = Forecast(
        limit=Limit.LOW,
        part="2",
        early_ms=9 * MINUTE_MS,
        likely_ms=14 * MINUTE_MS,
        late_ms=22 * MINUTE_MS,
        drawn_ma=200_000,
        relief_ms=11 * MINUTE_MS,
    )
    core = Watched(monkeypatch, lambda _: told)
    core.until(120)
    (fact,) = [f for f in core.facts if getattr(f, "alarm", "") == "low-cell-forecast"]
    message = getattr(fact, "message", "")
    assert message.startswith("Time to the low cut-off (left/2): 14.0 min, limit 16.5")
    assert "Between 9 min and 22 min from now." in message
    assert "Cell 2 is at 3.240 V while 20.0 A are drawn." in message
    assert "stage 1 in 4 min, stage 2 in 9 min" in message
    assert "Switching off 1.3 kW gives about 11 min more." in message
