"""What the simulated packs say on CAN is what they are, by other people's decoders."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import cantools
import pytest

from simbus_can import rvc_values
from simbus_made import pack, settle, working
from simbus_wire import sunspec_decoded
from tocsin.core.model import Flag
from tocsin_drivers.simbus.can_node import RvcPlace, named_dbc_node, rvc_node
from tocsin_drivers.simbus.can_serve import bank_dbc
from tocsin_drivers.simbus.fern_ridge import make_bank
from tocsin_drivers.simbus.hut_dbc import Signal

if TYPE_CHECKING:
    from tocsin_drivers.simbus.pack import Pack, PackReading

SHIPPED = Path(__file__).parents[3] / "deploy" / "sites" / "fern-ridge.dbc"
ALL_PAGES_MS = 10_000


def read(made: Pack) -> PackReading:
    return made.reading


def by_dbc(made: Pack) -> dict[str, Any]:
    """Return every signal of the pack, through the file that ships and cantools."""
    db: Any = cantools.database.load_file(SHIPPED)
    values: dict[str, Any] = {}
    node = named_dbc_node(partial(read, made), "left", 0)
    for at_ms in range(0, ALL_PAGES_MS, 10):
        for frame in node.due(at_ms):
            message = db.get_message_by_frame_id(frame.identifier)
            values |= message.decode(frame.data, decode_choices=False)
    return values


def by_rvc(made: Pack) -> dict[str, Any]:
    values: dict[str, Any] = {}
    for frame in rvc_node(partial(read, made), RvcPlace()).due(0):
        decoded = rvc_values(frame)
        if decoded is not None:
            name, fields = decoded
            values |= {f"{name}.{key}": value for key, value in fields.items()}
    return values


@pytest.mark.parametrize(("amps", "temp_c"), [(-20.0, -3.0), (0.0, -3.0), (20.0, 12.0)])
def test_cantools_reads_the_packs_own_values_from_the_file_that_ships(
    amps: float, temp_c: float
) -> None:
    made = working(amps, temp_c=temp_c)
    seen, values = made.reading, by_dbc(made)
    for number, mv in enumerate(seen.cells_mv, start=1):
        assert values[f"Cell_{number}"] == pytest.approx(mv / 1000, abs=1e-9)
    for number, dc in enumerate(seen.temps_dc, start=1):
        assert values[f"Temperature_{number}"] == pytest.approx(dc / 10, abs=1e-9)
    assert values["Voltage"] == pytest.approx(seen.voltage_mv / 1000, abs=0.005001)
    assert values["Current"] == pytest.approx(seen.current_da / 10, abs=1e-9)
    assert values["StateOfCharge"] == seen.soc_pct
    assert values["Counter"] == seen.beat % 256
    assert values["ChargeAllowed"] == pytest.approx(seen.charge_limit_da / 10)
    assert values["DischargeAllowed"] == pytest.approx(seen.discharge_limit_da / 10)
    assert values["LowestCell"] == pytest.approx(min(seen.cells_mv) / 1000)
    assert values["HighestCell"] == pytest.approx(max(seen.cells_mv) / 1000)
    assert values["ChargeRefused"] == (Flag.CHARGE_REFUSED in seen.flags)
    assert values["ChargeRefused"] == (temp_c < 0), "both levels are seen"


def test_the_file_that_ships_is_the_hut_s() -> None:
    assert SHIPPED.read_text(encoding="utf-8") == bank_dbc(make_bank())


def test_the_file_reads_without_complaint_and_says_how_often_messages_come() -> None:
    db: Any = cantools.database.load_file(SHIPPED, strict=True)
    cycles = {message.name: message.cycle_time for message in db.messages}
    assert cycles["Left_Cells"] == 500
    assert cycles["Right_State"] == 200
    assert {m.name: len(m.signals) for m in db.messages}["Left_Cells"] == 17


@pytest.mark.parametrize(
    ("signal", "sent"),
    [
        (Signal(name="a", start=0, length=16), "ffff000000000000"),
        (Signal(name="a", start=0, length=16, is_signed=True), "0080000000000000"),
        (Signal(name="a", start=7, length=16, is_big=True), "ffff000000000000"),
        (
            Signal(name="a", start=23, length=16, is_big=True, is_signed=True),
            "0000800000000000",
        ),
    ],
)
def test_not_available_is_all_ones_or_the_lowest(signal: Signal, sent: str) -> None:
    assert signal.placed(None).to_bytes(8, "little").hex() == sent


@pytest.mark.parametrize("amps", [-20.0, 0.0, 20.0])
def test_sunspec_rvc_and_the_hut_s_messages_agree_within_their_steps(
    amps: float,
) -> None:
    """Each by its own reference reader: pysunspec2, cantools, cantools."""
    made = working(amps)
    found, rvc, dbc = sunspec_decoded(made), by_rvc(made), by_dbc(made)
    battery = found.models[802][0]
    volts = battery.V.cvalue
    assert rvc["STATUS_1.volts"] == pytest.approx(volts, abs=0.005 + 0.025 + 1e-9)
    assert rvc["STATUS_5.volts"] == pytest.approx(volts, abs=0.005 + 1e-9)
    assert dbc["Voltage"] == pytest.approx(volts, abs=1e-9)
    assert rvc["STATUS_1.amps_out"] == pytest.approx(-battery.A.cvalue, abs=1e-9)
    assert dbc["Current"] == pytest.approx(battery.A.cvalue, abs=1e-9)
    assert rvc["STATUS_2.soc"] == dbc["StateOfCharge"] == battery.SoC.cvalue
    coldest = found.models[803][0].ModTmpMin.cvalue
    assert rvc["STATUS_2.temperature"] == pytest.approx(coldest, abs=1 / 64)
    allowed = battery.AChaMax.cvalue
    assert rvc["STATUS_4.wish_a"] == pytest.approx(allowed, abs=0.025 + 1e-9)
    assert dbc["ChargeAllowed"] == pytest.approx(allowed, abs=1e-9)
    assert rvc["STATUS_11.full_ah"] == battery.AHRtg.cvalue
    watts = abs(battery.W.cvalue)
    assert rvc["STATUS_11.watts"] == pytest.approx(watts, abs=1)
    cells = [c.CellV.cvalue for c in found.models[805][0].groups[CELLS]]
    assert [dbc[f"Cell_{i}"] for i in range(1, 17)] == pytest.approx(cells, abs=1e-9)


CELLS = "lithium-ion-module-cell"


@pytest.mark.parametrize(
    ("amps", "to_full", "minutes"),
    [(-28.0, 0, 180 / 280), (28.0, 1, 100 / 280)],
)
def test_time_left_is_to_empty_or_to_full(
    amps: float, to_full: int, minutes: float
) -> None:
    made = pack(missing_ah=100, temp_c=20.0)
    settle(made, seconds=1, amps=amps)
    values = by_rvc(made)
    assert values["STATUS_2.to_full"] == to_full
    assert values["STATUS_2.left_min"] == pytest.approx(minutes * 600, rel=0.02)


def test_a_resting_pack_has_no_time_left() -> None:
    made = pack(missing_ah=100)
    settle(made, seconds=1)
    values = by_rvc(made)
    assert values["STATUS_2.left_min"] == 0xFFFF
    assert values["STATUS_2.to_full"] == 0b11


def test_a_cold_pack_asks_not_to_be_charged_and_opens_its_charge_bus() -> None:
    made = pack(temp_c=-5.0)
    settle(made, seconds=60)
    values = by_rvc(made)
    assert values["STATUS_4.state"] == 1, "do not charge"
    assert values["STATUS_11.charge_on"] == 0
    assert values["STATUS_11.load_on"] == 1


def test_an_empty_pack_says_limit_then_disconnect() -> None:
    made = pack(missing_ah=262.0)
    seen = []
    for _ in range(2_000):
        if made.protector.discharge_open:
            break
        settle(made, seconds=1, amps=-100.0)
        values = by_rvc(made)
        seen.append((values["STATUS_6.low_limit"], values["STATUS_6.low_disconnect"]))
    assert list(dict.fromkeys(seen)) == [(0, 0), (1, 0), (1, 1)]
