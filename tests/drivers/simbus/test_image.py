"""Registers against the SunSpec alliance's own client, and against the site file."""

from __future__ import annotations

import tomllib
from typing import TYPE_CHECKING, Any

import pytest

from simbus_made import pack, settle, working
from simbus_wire import sunspec_decoded as decoded
from tocsin.core.model import Flag
from tocsin_config import load
from tocsin_drivers.simbus.cell import CellDesign
from tocsin_drivers.simbus.image import (
    charge_state,
    plain_image,
    plain_map_toml,
    u16,
)
from tocsin_drivers.simbus.server import Fault

if TYPE_CHECKING:
    from pathlib import Path


def cells_of(module: Any) -> Any:
    return module.groups["lithium-ion-module-cell"]


def test_the_reference_client_finds_every_model_once() -> None:
    found = decoded(working())
    models = [key for key in found.models if isinstance(key, int)]
    assert models == [1, 802, 803, 804, 805]
    assert found.common[0].SN.value == "left"


@pytest.mark.parametrize("amps", [-20.0, 0.0, 20.0])
def test_the_reference_client_reads_the_packs_own_values(amps: float) -> None:
    made = working(amps)
    seen, found = made.reading, decoded(made)
    module, battery = found.models[805][0], found.models[802][0]
    string, bank = found.models[804][0], found.models[803][0]
    cells = [cell.CellV.cvalue for cell in cells_of(module)]
    temps = [cell.CellTmp.cvalue for cell in cells_of(module)]
    assert cells == pytest.approx([mv / 1000 for mv in seen.cells_mv])
    assert temps == pytest.approx([dc / 10 for dc in seen.temps_dc])
    low, high = min(seen.cells_mv) / 1000, max(seen.cells_mv) / 1000
    for group in (battery, string, module):
        assert group.CellVMin.cvalue == pytest.approx(low)
        assert group.CellVMax.cvalue == pytest.approx(high)
        assert group.SoC.cvalue == seen.soc_pct
    assert bank.string[0].StrCellVMin.cvalue == pytest.approx(low)
    assert module.CellVMinCell.value == seen.cells_mv.index(min(seen.cells_mv)) + 1
    for current in (battery.A, string.A, bank.string[0].StrA):
        assert current.cvalue == pytest.approx(seen.current_da / 10)
        assert current.cvalue == pytest.approx(amps, abs=0.2)
    for volts in (battery.V, string.V, module.V):
        assert volts.cvalue == pytest.approx(seen.voltage_mv / 1000, abs=0.005)
    assert battery.W.cvalue == pytest.approx(
        seen.voltage_mv * seen.current_da / 1e4, abs=0.5
    )
    assert battery.AHRtg.cvalue == pytest.approx(280)
    assert battery.Hb.value == seen.beat == 60
    assert battery.AChaMax.cvalue == pytest.approx(made.charge_limit_a)
    assert battery.ADisChaMax.cvalue == pytest.approx(280)
    assert battery.Typ.value == 4
    coldest = min(seen.temps_dc) / 10
    assert bank.ModTmpMin.cvalue == pytest.approx(coldest)
    assert string.ModTmpMin.cvalue == pytest.approx(coldest)
    assert module.CellTmpMin.cvalue == pytest.approx(coldest)


def test_counts_agree_with_what_follows() -> None:
    found = decoded(working())
    assert found.models[803][0].NStr.value == len(found.models[803][0].string) == 1
    assert found.models[804][0].NMod.value == 1
    assert found.models[805][0].NCell.value == 16
    assert len(cells_of(found.models[805][0])) == 16


def test_points_the_pack_does_not_have_are_not_implemented() -> None:
    found = decoded(working())
    battery = found.models[802][0]
    for point in (battery.VMax, battery.SoH, battery.NCyc, battery.WChaRteMax):
        assert point.value is None


def test_allowed_charge_is_0_while_charge_is_refused() -> None:
    battery = decoded(working(temp_c=3.0)).models[802][0]
    assert battery.AChaMax.cvalue == 0
    assert battery.ADisChaMax.cvalue == pytest.approx(280)
    assert battery.Evt1.value == 1 << 4  # UNDER_TEMP_WARNING


def test_allowed_discharge_is_0_after_a_low_trip() -> None:
    made = pack(cells=(CellDesign(capacity_ah=100),) * 4, missing_ah=99)
    settle(made, seconds=30)
    battery = decoded(made).models[802][0]
    assert battery.ADisChaMax.cvalue == 0
    assert battery.Evt1.value == 1 << 11 | 1 << 12  # UNDER_VOLT alarm and warning
    assert battery.State.value == 99


def test_an_impossible_cell_is_0_v_in_every_model_that_says_it() -> None:
    found = decoded(working(), Fault.ZERO_CELL)
    said = [
        found.models[802][0].CellVMin,
        found.models[803][0].string[0].StrCellVMin,
        found.models[804][0].CellVMin,
        found.models[805][0].CellVMin,
        *(cell.CellV for cell in cells_of(found.models[805][0])),
    ]
    assert [point.cvalue for point in said[:5]] == [0.0] * 5
    assert all(point.cvalue > 3 for point in said[5:])


def test_cells_being_bled_are_marked() -> None:
    made = pack(cells=4, missing_ah=1.0, ahead_ah={2: 0.6}, temp_c=25)
    settle(made, seconds=600, amps=2.0)
    module = decoded(made).models[805][0]
    marked = [cell.CellSt.value for cell in cells_of(module)]
    assert made.reading.balancing
    assert marked == [int(n in made.reading.balancing) for n in range(1, 5)]
    assert module.NCellBal.value == len(made.reading.balancing)


@pytest.mark.parametrize(("amps", "state"), [(-5.0, 3), (0.0, 6), (5.0, 4)])
def test_the_charge_state_agrees_with_the_sign_of_the_current(
    amps: float, state: int
) -> None:
    made = pack()
    settle(made, amps=amps)
    assert charge_state(made.reading) == state


@pytest.mark.parametrize(
    ("value", "register"),
    [(-1, 0xFFFF), (-32_767, 0x8001), (-40_000, 0x8001), (70_000, 0xFFFE), (0, 0)],
)
def test_values_stop_at_the_ends_of_a_register(value: int, register: int) -> None:
    assert u16(value) == register


def test_the_plain_map_holds_what_its_table_says() -> None:
    made = working()
    seen, image = made.reading, plain_image(made.reading)
    assert image[0] == 0x5443
    assert [image[0x1000 + n] for n in range(16)] == list(seen.cells_mv)
    assert [image[0x1100 + n] for n in range(16)] == list(seen.temps_dc)
    assert image[0x1200] == round(seen.voltage_mv / 10)
    assert image[0x1201] == seen.current_da + 0x10000
    assert image[0x1202] == seen.soc_pct
    assert image[0x1203] == seen.charge_limit_da
    assert image[0x1205] == seen.beat
    assert image[0x1206] == 0
    assert image[0x1207] == min(seen.cells_mv)


def test_frost_is_a_negative_temperature_in_the_plain_map() -> None:
    made = pack(temp_c=-18.0)
    settle(made)
    image = plain_image(made.reading)
    assert image[0x1100] == 0x10000 - 180
    assert image[0x1206] == 1 << 6 | 1 << 8  # cold warning, charge refused


def test_more_cells_than_the_plain_map_holds_are_refused() -> None:
    with pytest.raises(ValueError, match="room for 256"):
        plain_image(pack(cells=257).reading)


@pytest.mark.parametrize("apart", [True, False])
def test_the_site_file_reads_the_plain_map_as_we_write_it(
    tmp_path: Path, *, apart: bool
) -> None:
    (tmp_path / "map.toml").write_text(plain_map_toml(16, "point"))
    site = tmp_path / "site.toml"
    site.write_text(
        "[bank]\ncapacity_ah = 280\ncells_in_series = 16\n"
        '[[pack]]\nname = "left"\ndriver = "modbus-map"\nhost = "127.0.0.1"\n'
        "port = 1502\n" + ('map = "map.toml"\n' if apart else plain_map_toml(16))
    )
    points = load(site).sources[0].options["map"].points
    cells = next(point for point in points if point.role == "cell")
    assert (cells.address, cells.count, cells.scale) == (0x1000, 16, 0.001)
    flags = next(point for point in points if point.role == "flags")
    assert dict(flags.bits)[8] is Flag.CHARGE_REFUSED


def test_the_map_text_is_toml_for_any_number_of_cells() -> None:
    for cells in (4, 8, 16):
        rows = tomllib.loads(plain_map_toml(cells))["pack"]["map"]["point"]
        assert [row["count"] for row in rows if "count" in row] == [cells, cells]
