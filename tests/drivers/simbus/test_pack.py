"""A pack: sensors, counter, balancing, and that a seed says it all."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simbus_made import pack, pack_design
from tocsin_drivers.simbus.cell import CellDesign
from tocsin_drivers.simbus.image import plain_image, sunspec_image
from tocsin_drivers.simbus.pack import EXACT, Pack, Sensors, spread_cells


def run(made: Pack, amps: float, hours: float, dt_s: float = 10.0) -> None:
    for _ in range(round(hours * 3600 / dt_s)):
        made.advance(dt_s, amps, 20.0)


@pytest.mark.parametrize("gain", [0.99, 1.0, 1.01])
def test_the_coulomb_counter_drifts_by_its_gain(gain: float) -> None:
    made = pack(cells=4, missing_ah=28, sensors=Sensors(current_gain=gain))
    run(made, -28.0, hours=4)
    true_ah = made.cells[0].charge_ah
    assert true_ah == pytest.approx(280 - 28 - 112)
    assert made.counted_ah == pytest.approx(280 - 28 - 112 * gain)
    assert made.reading.soc_pct == round((280 - 28 - 112 * gain) / 2.8)


def test_an_offset_makes_an_idle_counter_creep() -> None:
    made = pack(cells=4, missing_ah=140, sensors=Sensors(current_offset_a=0.2))
    run(made, 0.0, hours=10)
    assert made.cells[0].charge_ah == pytest.approx(140)
    assert made.counted_ah == pytest.approx(142)


def test_the_counter_stops_at_its_ends() -> None:
    made = pack(cells=4, missing_ah=140, counter_pct=2.0)
    run(made, -28.0, hours=1)
    assert made.counted_ah == 0.0
    assert made.reading.soc_pct == 0


def test_readings_are_whole_millivolts_tenths_and_percents() -> None:
    seen = pack(sensors=Sensors()).reading
    for value in (*seen.cells_mv, *seen.temps_dc, seen.current_da, seen.soc_pct):
        assert isinstance(value, int)


def test_exact_sensors_only_round() -> None:
    made = pack(sensors=EXACT)
    run(made, -30.04, hours=0.1)
    seen = made.reading
    assert seen.current_da == -300
    for cell, shown_mv in zip(made.cells, seen.cells_mv, strict=True):
        assert abs(1000 * cell.terminal_v(-30.04) - shown_mv) <= 0.5
    assert seen.voltage_mv == pytest.approx(sum(seen.cells_mv) - 30.04 * 2, abs=9)


def test_noise_has_the_size_it_says() -> None:
    made = pack(cells=1, sensors=Sensors(voltage_noise_mv=3, temp_noise_k=0))
    shown = []
    for _ in range(2_000):
        made.advance(0.001, 0.0, 20.0)
        shown.append(made.reading.cells_mv[0])
    mean = sum(shown) / len(shown)
    spread = (sum((mv - mean) ** 2 for mv in shown) / len(shown)) ** 0.5
    assert spread == pytest.approx(3.0, rel=0.1)


@given(st.integers(0, 1000), st.lists(st.floats(-140, 28), max_size=20))
@settings(max_examples=20)
def test_the_same_seed_gives_the_same_registers(seed: int, steps: list[float]) -> None:
    def image() -> list[dict[int, int]]:
        made = pack(
            cells=spread_cells(8, seed=seed), sensors=Sensors(), seed=seed, temp_c=15
        )
        seen = []
        for amps in steps:
            made.advance(5.0, amps, 10.0)
            seen += [sunspec_image(made.reading), plain_image(made.reading)]
        return seen

    assert image() == image()


def test_another_seed_gives_other_registers() -> None:
    first, second = (
        plain_image(pack(cells=spread_cells(8, seed=s), seed=s).reading) for s in (1, 2)
    )
    assert first != second


def test_cells_of_a_batch_differ_by_the_spread_asked_for() -> None:
    cells = spread_cells(400, seed=5, capacity_spread=0.01)
    mean = sum(c.capacity_ah for c in cells) / 400
    spread = (sum((c.capacity_ah - mean) ** 2 for c in cells) / 400) ** 0.5
    assert mean == pytest.approx(280, rel=0.002)
    assert spread == pytest.approx(2.8, rel=0.12)


def test_a_weak_cell_is_the_first_to_be_low_and_sits_where_it_was_put() -> None:
    weak = {11: CellDesign(capacity_ah=140)}
    made = pack(cells=spread_cells(16, weak=weak), missing_ah=126)
    seen = made.reading.cells_mv
    assert seen.index(min(seen)) == 10
    assert made.cells[10].soc == pytest.approx(0.1)
    assert made.cells[0].soc == pytest.approx(0.55, abs=0.02)


def test_balancing_bleeds_the_cell_that_is_ahead_near_the_top() -> None:
    ends = []
    for balance_a in (0.0, 0.2):
        made = pack(
            cells=4, missing_ah=1.5, ahead_ah={2: 0.8}, balance_a=balance_a, temp_c=25
        )
        bled = set[int]()
        for _ in range(3_000):
            made.advance(1.0, 0.5, 25.0)
            bled |= made.reading.balancing
        ends.append((made.cells[1].charge_ah - made.cells[0].charge_ah, bled))
    (plain_ah, nothing), (bled_ah, who) = ends
    assert plain_ah == pytest.approx(0.8)
    assert not nothing
    assert bled_ah < 0.72
    assert 2 in who


def test_nothing_is_bled_on_the_plateau() -> None:
    made = pack(cells=4, missing_ah=140, ahead_ah={2: 30})
    run(made, 28.0, hours=0.2)
    assert made.reading.balancing == frozenset()


def test_the_heartbeat_counts_seconds_and_never_says_not_implemented() -> None:
    made = pack(cells=1)
    made.advance(7.0, 0.0, 20.0)
    assert made.reading.beat == 7
    made.advance(65_534 - 7, 0.0, 20.0)
    assert made.reading.beat == 65_534
    made.advance(1.0, 0.0, 20.0)
    assert made.reading.beat == 0


@pytest.mark.parametrize(
    ("celsius", "amps"),
    # 0.16C at 10 degC: NREL study of large LFP cells, doi 10.1016/j.est.2023.109042.
    [(9.9, 28.0), (10.0, 44.8), (10.1, 44.8), (20.0, 140.0)],
)
def test_allowed_charge_grows_with_the_coldest_cell(
    celsius: float, amps: float
) -> None:
    assert pack(temp_c=celsius).charge_limit_a == pytest.approx(amps)


def test_a_pack_without_cells_is_refused() -> None:
    with pytest.raises(ValueError, match="at least one cell"):
        Pack(pack_design(cells=()))
