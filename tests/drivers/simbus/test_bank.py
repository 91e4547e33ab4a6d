"""Packs together: one bus, shared current, sources, loads and contactors."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simbus_made import bank, pack_design, parallel
from tocsin_drivers.simbus.bank import Charger, Generator, SimBank
from tocsin_drivers.simbus.cell import CellDesign
from tocsin_drivers.simbus.profiles import Steady

if TYPE_CHECKING:
    from tocsin_drivers.simbus.pack import PackDesign


def loaded(designs: list[list[PackDesign]], load_w: float, **site: Any) -> SimBank:
    return bank(designs, loads_w={"": Steady(value=load_w)}, **site)


@given(
    st.integers(1, 5),
    st.floats(-6_000, 6_000),
    st.lists(st.floats(20, 250), min_size=5, max_size=5),
)
@settings(max_examples=40)
def test_strings_share_one_voltage_and_their_currents_add_up(
    count: int, power_w: float, missing: list[float]
) -> None:
    designs = [
        [pack_design(f"p{n}", cells=8, missing_ah=missing[n])] for n in range(count)
    ]
    made = bank(
        designs,
        loads_w={"": Steady(value=max(-power_w, 0))},
        sources_w={"sun": Steady(value=max(power_w, 0))},
        charger=Charger(absorption_v=40.0, limit_a=1e4),
        ambient_c=Steady(value=25.0),
    )
    before = [(s.emf_v, s.siemens(1e3), s.siemens(0)) for s in made.strings]
    made.advance(1.0)
    for string, (emf_v, charging, discharging) in zip(
        made.strings, before, strict=True
    ):
        siemens = charging if made.bus_v > emf_v else discharging
        assert string.current_a == pytest.approx((made.bus_v - emf_v) * siemens)
    if made.bus_v and power_w <= 0:
        assert made.bus_v * made.current_a == pytest.approx(power_w, abs=0.5)


def test_up_to_five_alike_strings_share_alike() -> None:
    for count in range(1, 6):
        made = loaded(parallel(count), 2_000.0 * count)
        made.advance(60.0)
        shares = [string.current_a for string in made.strings]
        assert shares == pytest.approx([shares[0]] * count)
        assert shares[0] == pytest.approx(-2_000 / made.bus_v, rel=0.01)


def test_a_string_with_twice_the_resistance_gives_about_half() -> None:
    soft = (CellDesign(ohm_ah=0.24),) * 16
    designs = [
        [pack_design("hard", wiring_ohm=0.0)],
        [pack_design("soft", cells=soft, wiring_ohm=0.0)],
    ]
    made = loaded(designs, 3_000.0)
    made.advance(1.0)
    hard, softer = (string.current_a for string in made.strings)
    assert softer / hard == pytest.approx(0.5, rel=1e-6)


def test_a_fuller_string_feeds_an_emptier_one() -> None:
    designs = [
        [pack_design("full", missing_ah=30)],
        [pack_design("empty", missing_ah=230)],
    ]
    made = bank(designs)
    made.advance(600.0)
    full, empty = (string.current_a for string in made.strings)
    assert full < -1
    assert empty == pytest.approx(-full)


def test_a_string_that_refuses_charge_takes_nothing_from_its_neighbour() -> None:
    designs = [
        [pack_design("full", missing_ah=30, temp_c=10)],
        [pack_design("empty", missing_ah=230, temp_c=3)],
    ]
    made = bank(designs, ambient_c=Steady(value=3.0))
    made.advance(600.0)
    assert [string.current_a for string in made.strings] == pytest.approx([0, 0])


@pytest.mark.parametrize(("cells", "in_series", "nominal_v"), [(8, 1, 24), (8, 2, 48)])
def test_24_v_is_one_8s_pack_and_48_v_two_of_them_in_series(
    cells: int, in_series: int, nominal_v: int
) -> None:
    packs = [pack_design(f"p{n}", cells=cells) for n in range(in_series)]
    made = loaded([packs], 500.0)
    made.advance(60.0)
    assert made.bus_v == pytest.approx(nominal_v * 1.09, rel=0.03)
    currents = {round(pack.current_a, 9) for pack in made.packs.values()}
    assert len(currents) == 1


def test_one_open_pack_opens_its_whole_series_string() -> None:
    weak = (CellDesign(capacity_ah=113.0),) * 8
    made = loaded(
        [[pack_design("a", cells=8), pack_design("b", cells=weak)]],
        2_000.0,
    )
    made.advance(3_600.0)
    assert made.packs["b"].protector.discharge_open
    assert made.packs["a"].current_a == 0.0
    assert [(c.pack, c.direction) for c in made.cut_offs] == [("b", "discharge")]
    assert made.cut_offs[0].current_a < -30
    assert made.bus_v == 0.0
    assert made.dark_s > 60


def test_the_charger_holds_the_bus_at_its_absorption_voltage() -> None:
    made = bank(
        parallel(2, missing_ah=2.0),
        sources_w={"sun": Steady(value=20_000.0)},
        charger=Charger(absorption_v=55.2, limit_a=1e3),
    )
    made.advance(1_800.0)
    assert made.bus_v == pytest.approx(55.2)
    assert 0 < made.current_a < 60


def test_the_charger_holds_the_current_of_the_bank() -> None:
    made = bank(
        parallel(2),
        sources_w={"sun": Steady(value=20_000.0)},
        charger=Charger(absorption_v=58.0, limit_a=50.0),
    )
    made.advance(60.0)
    assert made.current_a == pytest.approx(50.0)


def test_the_charger_holds_what_a_cool_pack_allows() -> None:
    made = bank(
        parallel(2, temp_c=8.0),
        sources_w={"sun": Steady(value=20_000.0)},
        ambient_c=Steady(value=8.0),
        charger=Charger(absorption_v=58.0, limit_a=500.0),
    )
    made.advance(60.0)
    assert [s.current_a for s in made.strings] == pytest.approx([28.0, 28.0])


def charged_through_a_contactor() -> SimBank:
    return bank(
        parallel(2),
        loads_w={"stage-1": Steady(value=1_000.0)},
        sources_w={"sun": Steady(value=3_000.0)},
        charge_output="charge",
    )


@pytest.mark.parametrize(
    ("charge", "stage", "watts"),
    [(0, 0, 0), (0, 1, 0), (1, 0, 3_000), (1, 1, 2_000)],
)
def test_contactors_follow_the_outputs_by_name(
    charge: int, stage: int, watts: int
) -> None:
    made = charged_through_a_contactor()
    made.follow({"charge": bool(charge), "stage-1": bool(stage), "horn": True})
    made.advance(10.0)
    assert made.bus_v * made.current_a == pytest.approx(watts, abs=1)


def test_every_contactor_is_open_until_somebody_closes_it() -> None:
    made = charged_through_a_contactor()
    made.advance(10.0)
    assert made.load_w == 0
    assert made.current_a == pytest.approx(0, abs=1e-6)


def test_sources_carry_loads_first_while_charge_is_not_permitted() -> None:
    made = bank(
        parallel(2),
        loads_w={"": Steady(value=2_000.0)},
        sources_w={"hydro": Steady(value=500.0)},
        charge_output="charge",
    )
    made.advance(10.0)
    assert made.bus_v * made.current_a == pytest.approx(-1_500, abs=1)


@pytest.mark.parametrize(("called_s", "runs"), [(55, 0), (60, 1), (65, 1)])
def test_the_generator_gives_power_once_it_has_started(
    called_s: int, runs: int
) -> None:
    made = bank(parallel(2), generator=Generator(output="generator", start_s=60))
    made.advance(300.0)
    made.follow({"generator": True})
    made.advance(300.0 + called_s)
    assert made.generator_runs == bool(runs)
    made.follow({"generator": False})
    assert not made.generator_runs


def test_an_earlier_time_changes_nothing() -> None:
    made = loaded(parallel(1), 500.0)
    made.advance(100.0)
    before = made.packs["pack-1"].reading
    made.advance(50.0)
    assert made.now_s == 100.0
    assert made.packs["pack-1"].reading == before


@pytest.mark.parametrize("designs", [[], [[]]])
def test_a_bank_of_nothing_is_refused(designs: list[list[PackDesign]]) -> None:
    with pytest.raises(ValueError, match="at least one"):
        bank(designs)


def test_two_packs_of_one_name_are_refused() -> None:
    with pytest.raises(ValueError, match="share a name"):
        bank([[pack_design("a")], [pack_design("a")]])
