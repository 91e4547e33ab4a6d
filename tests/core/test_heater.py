"""A heater: ahead of the next charge, above the floor, and off whenever in doubt.

Worked figure: 16 cells of 280 Ah weigh 86 kg and take 86 kJ a kelvin at 1 kJ/(kg K), so
from -10 to +5 degC 0.36 kWh, and 200 W give 8.3 K an hour (mass times specific heat
times kelvin, without losses). The other numbers are common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from core_builders import Player, local, output, reading, seen, site, wired
from tocsin.core.events import ChargeSeen, Event
from tocsin.core.heater import energy_kwh, lead_ms
from tocsin.core.hours import HOUR_MS
from tocsin.core.plant import GeneratorPlan, HeaterPlan, InputRole, Skin
from tocsin.core.rules import Role
from tocsin.core.site import Timing

MIN_MS = 60_000
PACK = 86_016  # joule per kelvin
PLAN = HeaterPlan(
    watts=200,
    joule_per_kelvin=PACK,
    warm_to_dc=80,
    charge_at_ms=7 * HOUR_MS,
    window_ms=4 * HOUR_MS,
    floor_permille=300,
    duty_on_ms=30 * MIN_MS,
    duty_off_ms=10 * MIN_MS,
)
SKIN = Skin(pack="left", sensor=3, limit_dc=450)


def _player(*events: Event, roles: tuple[InputRole, ...] = (), **plan: Any) -> Player:
    of = site(
        outputs=[
            output("heater", Role.HEATER_CALL, heater=replace(PLAN, **plan)),
            output("charge", Role.CHARGE_PERMIT),
        ],
        inputs=[wired(role.value, role) for role in roles],
        timing=Timing(good_scans=1, stale_ms=10**12),
    )
    of = replace(of, inputs=tuple(of.inputs))
    player = Player(of)
    player.play(*(seen(0, role.value, level=False) for role in roles), *events)
    return player


def _cold(
    at_ms: int, temp_dc: int = -100, soc: int | None = 500, skin: int = 100
) -> Any:
    return reading(
        at_ms, temps_dc=(200, temp_dc, skin), soc_permille=soc, current_ma=-5_000
    )


# --- how long before ------------------------------------------------------------------


def test_the_worked_figure_comes_out() -> None:
    assert energy_kwh(HOUR_MS, PLAN) == pytest.approx(0.2)
    warm = replace(PLAN, warm_to_dc=50)
    plain_ms = lead_ms(-100, warm) * 2 / 3
    assert energy_kwh(round(plain_ms), warm) == pytest.approx(0.36, abs=0.005)
    assert 15 / (plain_ms / HOUR_MS) == pytest.approx(8.3, abs=0.1)


@pytest.mark.parametrize(("temp_dc", "hours"), [(80, 0), (90, 0), (-5_000, 12)])
def test_the_lead_is_never_below_nothing_or_above_half_a_day(
    temp_dc: int, hours: int
) -> None:
    assert lead_ms(temp_dc, PLAN) == hours * HOUR_MS


LEAD_MS = lead_ms(-100, PLAN)
"""About 3.2 h."""
BEGIN_MS = 7 * HOUR_MS - LEAD_MS


@pytest.mark.parametrize(("before_ms", "heats"), [(1, False), (0, True), (-1, True)])
def test_heating_begins_so_that_cells_are_warm_when_charge_comes(
    before_ms: int, *, heats: bool
) -> None:
    player = _player(local(0, 0), _cold(0))
    player.tick(BEGIN_MS - before_ms)
    assert player.level("heater") is heats
    why = ("cold-cells",) if heats else ("cold-cells", "waiting-for-charge")
    assert player.because("heater") == why


@pytest.mark.parametrize(
    ("temp_dc", "heats"), [(69, True), (70, True), (71, False), (80, False)]
)
def test_it_begins_a_kelvin_below_what_it_warms_to(
    temp_dc: int, *, heats: bool
) -> None:
    player = _player(local(0, 7), _cold(0, temp_dc))
    assert player.level("heater") is heats


@pytest.mark.parametrize(("temp_dc", "heats"), [(79, True), (80, False), (81, False)])
def test_it_goes_on_until_the_coldest_cell_is_warm(
    temp_dc: int, *, heats: bool
) -> None:
    player = _player(local(0, 7), _cold(0), _cold(MIN_MS, temp_dc))
    assert player.level("heater") is heats


def test_what_has_begun_goes_on_although_less_time_is_needed() -> None:
    player = _player(local(0, 0), _cold(0), skin=SKIN)
    player.tick(BEGIN_MS)
    for i in range(1, 12):
        player.play(_cold(BEGIN_MS + i * 5 * MIN_MS, -100 + i * 15))
    assert [on for _, on in player.moves("heater")] == [True]


@pytest.mark.parametrize(("late_ms", "heats"), [(-1, True), (0, False), (1, False)])
def test_when_no_charge_has_come_for_hours_it_gives_up(
    late_ms: int, *, heats: bool
) -> None:
    player = _player(local(0, 7), _cold(0), skin=SKIN)
    player.tick(4 * HOUR_MS + late_ms)
    assert player.level("heater") is heats


def test_while_nobody_knows_when_charge_comes_nothing_is_wasted() -> None:
    unknown = _player(local(0, 7), _cold(0), charge_at_ms=None)
    unknown.tick(24 * HOUR_MS)
    assert unknown.moves("heater") == []
    assert unknown.because("heater") == ("cold-cells", "charging-time-unknown")
    no_clock = _player(_cold(0))
    no_clock.tick(24 * HOUR_MS)
    assert no_clock.moves("heater") == []


@pytest.mark.parametrize(("days", "heats"), [(2, False), (3, True), (4, True)])
def test_three_mornings_are_enough_to_learn_from(days: int, *, heats: bool) -> None:
    begins = ChargeSeen(at_ms=0, begins_ms=(7 * HOUR_MS,) * days)
    player = _player(begins, local(0, 7), _cold(0), charge_at_ms=None)
    assert player.level("heater") is heats


def test_a_set_that_runs_is_a_chance_at_any_hour() -> None:
    contact = InputRole.GENERATOR_RUNNING
    player = _player(local(0, 1), _cold(0, soc=100), roles=(contact,))
    assert not player.level("heater")
    player.play(seen(MIN_MS, contact.value))
    assert player.level("heater"), "a set's charge, not the bank's"
    player.play(seen(2 * MIN_MS, contact.value, level=False))
    assert player.because("heater") == ("cold-cells", "battery-floor")


# --- what keeps it off ----------------------------------------------------------------


@pytest.mark.parametrize(
    ("soc", "heats"), [(299, False), (300, True), (301, True), (None, False)]
)
def test_below_the_floor_or_without_a_word_of_it_the_bank_is_not_drawn_on(
    soc: int | None, *, heats: bool
) -> None:
    player = _player(local(0, 7), _cold(0, soc=soc))
    assert player.level("heater") is heats


@pytest.mark.parametrize(("soc", "heats"), [(349, False), (350, True), (351, True)])
def test_above_the_floor_it_comes_back_with_a_gap(soc: int, *, heats: bool) -> None:
    player = _player(local(0, 7), _cold(0, soc=299), _cold(MIN_MS, soc=soc))
    assert player.level("heater") is heats


@pytest.mark.parametrize(("skin", "heats"), [(449, True), (450, False), (451, False)])
def test_its_own_sensor_switches_it_off(skin: int, *, heats: bool) -> None:
    player = _player(local(0, 7), _cold(0), _cold(MIN_MS, skin=skin), skin=SKIN)
    assert player.level("heater") is heats


@pytest.mark.parametrize(("skin", "heats"), [(399, True), (400, True), (401, False)])
def test_and_lets_it_go_on_five_kelvin_below(skin: int, *, heats: bool) -> None:
    player = _player(
        local(0, 7),
        _cold(0),
        _cold(MIN_MS, skin=450),
        _cold(2 * MIN_MS, skin=skin),
        skin=SKIN,
    )
    assert player.level("heater") is heats


def test_a_sensor_that_is_not_there_keeps_it_off_and_is_no_cell() -> None:
    player = _player(local(0, 7), _cold(0), skin=replace(SKIN, sensor=4))
    assert player.because("heater") == ("cold-cells", "skin-limit")
    warm = _player(local(0, 7), _cold(0, 100, skin=-50), skin=SKIN)
    assert not warm.level("heater")


@pytest.mark.parametrize(
    ("asked_ms", "heats"),
    [
        (30 * MIN_MS - 1, True),
        (30 * MIN_MS, False),
        (40 * MIN_MS - 1, False),
        (40 * MIN_MS, True),
        (70 * MIN_MS, False),
    ],
)
def test_without_a_sensor_it_heats_half_an_hour_and_rests_ten_minutes(
    asked_ms: int, *, heats: bool
) -> None:
    player = _player(local(0, 7), _cold(0))
    player.tick(asked_ms)
    assert player.level("heater") is heats


def test_lost_data_and_maintenance_end_it_at_once() -> None:
    works = InputRole.MAINTENANCE
    player = _player(local(0, 7), _cold(0), roles=(works,))
    assert player.level("heater")
    player.play(seen(MIN_MS, works.value))
    assert player.because("heater") == ("cold-cells", "maintenance")
    of = replace(player.site, inputs=(), timing=Timing(good_scans=1, stale_ms=10_000))
    blind = Player(of)
    blind.play(local(0, 7), _cold(0))
    assert blind.level("heater")
    blind.tick(10_000)
    assert blind.because("heater") == ("cold-cells", "waiting-for-data")


def test_what_it_used_is_estimated_and_said() -> None:
    player = _player(local(0, 7), _cold(0), _cold(15 * MIN_MS, 80))
    counts = player.state.outputs[0].counts
    assert counts.run_ms == 15 * MIN_MS
    assert player.notes("heater-call")[-1][1] == (
        "heater: off after 15 min: the cells are warm; about 0.05 kWh, 0.1 kWh in all"
    )


def test_a_charge_permit_waits_for_cells_and_never_for_a_heater() -> None:
    player = _player(local(0, 7), _cold(0))
    assert player.level("charge")


# --- mornings -------------------------------------------------------------------------


def _mornings(*hours: int, barred: bool = False) -> tuple[int, ...]:
    """Play a day for each hour: dark, then charge from that hour to the evening."""
    of = site(
        outputs=[
            output("heater", Role.HEATER_CALL, heater=replace(PLAN, charge_at_ms=None)),
            output("set", Role.GENERATOR_CALL, generator=GeneratorPlan()),
        ],
        inputs=(wired("runs", InputRole.GENERATOR_RUNNING),),
        timing=Timing(good_scans=1, stale_ms=20 * MIN_MS),
    )
    player = Player(of)
    player.play(local(0, 0), seen(0, "runs", level=barred))
    for day, hour in enumerate(hours):
        for minute in range(0, 24 * 60, 10):
            at_ms = day * 24 * HOUR_MS + minute * MIN_MS
            is_day = hour * 60 <= minute < 18 * 60
            player.play(reading(at_ms, current_ma=20_000 if is_day else -5_000))
    return player.state.dawn.begins_ms


def test_the_begin_of_charge_is_learned_each_morning() -> None:
    assert _mornings(7, 8, 7) == (7 * HOUR_MS, 8 * HOUR_MS, 7 * HOUR_MS)


def test_a_week_is_remembered() -> None:
    assert len(_mornings(*range(6, 15))) == 7


def test_what_a_set_charges_is_no_morning() -> None:
    assert _mornings(7, 7, barred=True) == ()


@pytest.mark.parametrize("wrong", [{"watts": 0}, {"joule_per_kelvin": 0}])
def test_a_heater_without_power_or_anything_to_warm_is_refused(
    wrong: dict[str, Any],
) -> None:
    with pytest.raises(ValueError, match="needs watts"):
        replace(PLAN, **wrong)
