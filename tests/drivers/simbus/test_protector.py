"""Every limit of the pack's own protection, below, at and above it."""

from __future__ import annotations

import pytest

from simbus_made import HELD_W_PER_K, pack, settle
from tocsin.core.model import Flag
from tocsin_drivers.simbus.cell import CellDesign
from tocsin_drivers.simbus.protector import Extremes, Limits, Protector

DAY_C = 23.0


def watched(
    *,
    low_v: float = 3.30,
    high_v: float = 3.30,
    cold_c: float = DAY_C,
    hot_c: float = DAY_C,
    seconds: int = 60,
    made: Protector | None = None,
) -> Protector:
    guard = made or Protector(Limits())
    for _ in range(seconds):
        guard.watch(
            1.0, Extremes(low_v=low_v, high_v=high_v, cold_c=cold_c, hot_c=hot_c)
        )
    return guard


@pytest.mark.parametrize(("volts", "is_open"), [(2.79, 1), (2.80, 0), (2.81, 0)])
def test_a_cell_below_2v80_opens_discharge(volts: float, is_open: int) -> None:
    guard = watched(low_v=volts)
    assert guard.discharge_open == bool(is_open)
    assert not guard.charge_open
    assert (Flag.LOW_VOLTAGE_TRIP in guard.flags) == bool(is_open)


@pytest.mark.parametrize(("volts", "is_open"), [(3.74, 0), (3.75, 0), (3.76, 1)])
def test_any_single_cell_above_3v75_stops_the_charge(
    volts: float, is_open: int
) -> None:
    guard = watched(high_v=volts)
    assert guard.charge_open == bool(is_open)
    assert not guard.discharge_open
    assert (Flag.HIGH_VOLTAGE_TRIP in guard.flags) == bool(is_open)


@pytest.mark.parametrize(("celsius", "is_open"), [(4.9, 1), (5.0, 1), (5.1, 0)])
def test_charge_is_refused_at_or_below_5_degc(celsius: float, is_open: int) -> None:
    guard = watched(cold_c=celsius)
    assert guard.charge_open == bool(is_open)
    assert not guard.discharge_open


@pytest.mark.parametrize(("celsius", "is_open"), [(5.9, 1), (6.0, 0), (6.1, 0)])
def test_charge_once_refused_is_allowed_again_at_6_degc(
    celsius: float, is_open: int
) -> None:
    guard = watched(cold_c=celsius, made=watched(cold_c=4.0))
    assert guard.charge_open == bool(is_open)


@pytest.mark.parametrize(("celsius", "is_open"), [(-20.1, 1), (-20.0, 0), (-19.9, 0)])
def test_discharge_ends_below_minus_20_degc(celsius: float, is_open: int) -> None:
    assert watched(cold_c=celsius).discharge_open == bool(is_open)


@pytest.mark.parametrize(("celsius", "is_open"), [(49.9, 0), (50.0, 0), (50.1, 1)])
def test_both_directions_end_above_50_degc(celsius: float, is_open: int) -> None:
    guard = watched(hot_c=celsius)
    assert guard.discharge_open == guard.charge_open == bool(is_open)
    assert (Flag.HOT_TRIP in guard.flags) == bool(is_open)


@pytest.mark.parametrize(("volts", "is_open"), [(3.09, 1), (3.10, 0), (3.11, 0)])
def test_discharge_returns_when_the_lowest_cell_is_back(
    volts: float, is_open: int
) -> None:
    guard = watched(low_v=volts, made=watched(low_v=2.7))
    assert guard.discharge_open == bool(is_open)


@pytest.mark.parametrize(("volts", "is_open"), [(3.39, 0), (3.40, 0), (3.41, 1)])
def test_charge_returns_when_the_highest_cell_is_back(
    volts: float, is_open: int
) -> None:
    guard = watched(high_v=volts, made=watched(high_v=3.8))
    assert guard.charge_open == bool(is_open)


@pytest.mark.parametrize(("seconds", "is_open"), [(1, 0), (2, 1), (3, 1)])
def test_a_low_cell_trips_after_its_delay(seconds: int, is_open: int) -> None:
    assert watched(low_v=2.5, seconds=seconds).discharge_open == bool(is_open)


def test_a_dip_shorter_than_the_delay_is_forgotten() -> None:
    guard = watched(low_v=2.5, seconds=1)
    watched(made=guard, seconds=1)
    watched(low_v=2.5, seconds=1, made=guard)
    assert not guard.discharge_open


@pytest.mark.parametrize(("seconds", "is_open"), [(29, 1), (30, 0), (31, 0)])
def test_a_release_must_hold(seconds: int, is_open: int) -> None:
    guard = watched(low_v=2.5)
    assert watched(low_v=3.2, seconds=seconds, made=guard).discharge_open == bool(
        is_open
    )


@pytest.mark.parametrize(
    ("celsius", "charge", "discharge"),
    # Common practice, no source: what any LFP pack does in these weathers.
    [(23.0, True, True), (6.1, True, True), (5.0, False, True), (-18.0, False, True)],
)
def test_a_pack_takes_and_gives_as_its_temperature_allows(
    celsius: float, *, charge: bool, discharge: bool
) -> None:
    made = pack(temp_c=celsius, cells=8)
    settle(made)
    assert (made.reading.charge_limit_da > 0) == charge
    assert (made.reading.discharge_limit_da > 0) == discharge
    if charge:
        made.advance(1.0, 20.0, celsius)
    else:
        with pytest.raises(ValueError, match="charge is open"):
            made.advance(1.0, 20.0, celsius)
    made.advance(1.0, -20.0, celsius)


def test_one_cell_alone_stops_the_charge_of_its_pack() -> None:
    made = pack(missing_ah=10, ahead_ah={3: 11}, cells=(CellDesign(),) * 8, balance_a=0)
    for _ in range(600):
        if made.protector.charge_open:
            break
        made.advance(1.0, 80.0, 20.0)
    assert made.protector.charge_open
    above = [mv > 3_750 for mv in made.reading.cells_mv]
    assert above == [number == 3 for number in range(1, 9)]


def test_a_tripped_pack_refuses_only_its_direction() -> None:
    small = CellDesign(ambient_w_per_k=HELD_W_PER_K)
    made = pack(cells=(small,) * 4, missing_ah=277)
    while not made.protector.discharge_open:
        made.advance(1.0, -56.0, 20.0)
    assert made.reading.discharge_limit_da == 0
    with pytest.raises(ValueError, match="load is open"):
        made.advance(1.0, -1.0, 20.0)
    made.advance(1.0, 10.0, 20.0)
