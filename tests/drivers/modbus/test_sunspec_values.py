"""What a SunSpec battery says besides its cells.

Event bits: the SunSpec Alliance's model definitions 802 to 804.
"""

from __future__ import annotations

import pytest

from modbus_device import ABSENT, CELLS, battery, extremes, module, u16
from modbus_device import read_battery as read
from tocsin.core.model import Flag
from tocsin.ports import DriverError
from tocsin_drivers.modbus.sunspec_sample import EVENTS


def test_a_module_without_cell_temperatures_gives_its_extremes() -> None:
    bare = module(CELLS, temps_dc=[0x8000] * 16, CellTmpMax=210, CellTmpMin=u16(-35))
    sample = read(bare)
    assert sample.temps_dc == (210, -35)
    assert dict(sample.origin)["temps_dc"] == "805.CellTmpMax/Min"


def test_temperatures_come_from_804_then_803() -> None:
    assert read(*extremes(803), *extremes(804)).temps_dc == (250, 50, 250, 50)
    assert read(*extremes(803)).temps_dc == (300, 20)
    assert read(*extremes(802)).temps_dc == ()


def test_current_is_802s_or_the_sum_of_every_string() -> None:
    silent = battery(A=0x8000)
    assert read(battery(), *extremes(804)).current_ma == -12_500
    assert read(silent, *extremes(804)).current_ma == -20_000
    assert read(silent, *extremes(803)).current_ma == 15_000
    assert read(silent, module(CELLS)).current_ma is None


def test_a_source_that_is_not_there_for_its_cells_need_not_say_any() -> None:
    with pytest.raises(DriverError, match="no cell voltage"):
        read(battery(CellVMin=ABSENT, CellVMax=ABSENT))
    sample = read(battery(CellVMin=ABSENT, CellVMax=ABSENT), cells=None)
    assert sample.current_ma == -12_500
    assert (sample.cells_mv, sample.low_cell_mv) == ((), None)
    assert read(battery(), module(CELLS), cells=None).cells_mv == ()


def test_the_sign_of_the_current_is_what_a_person_says() -> None:
    sample = read(battery(), module(CELLS), is_charge_positive=False)
    assert sample.current_ma == 12_500


@pytest.mark.parametrize(
    ("raw", "is_refused"), [(0, True), (1, False), (ABSENT, False)]
)
def test_no_allowed_current_is_a_refusal(raw: int, is_refused: bool) -> None:  # noqa: FBT001 a table's column
    charge = read(battery(AChaMax=raw), module(CELLS)).flags
    discharge = read(battery(ADisChaMax=raw), module(CELLS)).flags
    assert charge == ({Flag.CHARGE_REFUSED} if is_refused else set())
    assert discharge == ({Flag.DISCHARGE_REFUSED} if is_refused else set())


def test_a_battery_that_is_disconnected_refuses_both() -> None:
    flags = read(battery(State=1), module(CELLS)).flags
    assert flags == {Flag.CHARGE_REFUSED, Flag.DISCHARGE_REFUSED}
    assert Flag.OTHER_TRIP in read(battery(State=99), module(CELLS)).flags


@pytest.mark.parametrize("bit", range(31))
def test_event_bits_become_flags_and_an_alarm_its_warning_too(bit: int) -> None:
    """Names by the JSON definition of the point, as the reference library ships it."""
    from sunspec2 import device  # noqa: PLC0415 blocking to load

    points = device.get_model_def(802)["group"]["points"]
    (evt,) = (point for point in points if point["name"] == "Evt1")
    names = {symbol["value"]: symbol["name"] for symbol in evt["symbols"]}
    value = 1 << bit
    flags = read(battery(Evt1=u16(value), Evt1_high=value >> 16), module(CELLS)).flags
    expected = WORDS.get(names.get(bit, ""), set())
    assert flags == expected
    assert bool(expected) == (bit in dict(EVENTS))


WORDS: dict[str, set[Flag]] = {
    "COMMUNICATION_ERROR": {Flag.COMMUNICATION_FAULT},
    "OVER_TEMP_ALARM": {Flag.HOT_TRIP, Flag.HOT_WARNING},
    "OVER_TEMP_WARNING": {Flag.HOT_WARNING},
    "UNDER_TEMP_ALARM": {Flag.COLD_TRIP, Flag.COLD_WARNING},
    "UNDER_TEMP_WARNING": {Flag.COLD_WARNING},
    "OVER_CHARGE_CURRENT_ALARM": {Flag.CURRENT_TRIP, Flag.CURRENT_WARNING},
    "OVER_CHARGE_CURRENT_WARNING": {Flag.CURRENT_WARNING},
    "OVER_DISCHARGE_CURRENT_ALARM": {Flag.CURRENT_TRIP, Flag.CURRENT_WARNING},
    "OVER_DISCHARGE_CURRENT_WARNING": {Flag.CURRENT_WARNING},
    "OVER_VOLT_ALARM": {Flag.HIGH_VOLTAGE_TRIP, Flag.HIGH_VOLTAGE_WARNING},
    "OVER_VOLT_WARNING": {Flag.HIGH_VOLTAGE_WARNING},
    "UNDER_VOLT_ALARM": {Flag.LOW_VOLTAGE_TRIP, Flag.LOW_VOLTAGE_WARNING},
    "UNDER_VOLT_WARNING": {Flag.LOW_VOLTAGE_WARNING},
    "UNDER_SOC_MIN_ALARM": {Flag.OTHER_TRIP, Flag.OTHER_WARNING},
    "UNDER_SOC_MIN_WARNING": {Flag.OTHER_WARNING},
    "OVER_SOC_MAX_ALARM": {Flag.OTHER_TRIP, Flag.OTHER_WARNING},
    "OVER_SOC_MAX_WARNING": {Flag.OTHER_WARNING},
    "VOLTAGE_IMBALANCE_WARNING": {Flag.IMBALANCE_WARNING},
    "TEMPERATURE_IMBALANCE_ALARM": {
        Flag.IMBALANCE_WARNING,
        Flag.OTHER_TRIP,
        Flag.OTHER_WARNING,
    },
    "TEMPERATURE_IMBALANCE_WARNING": {Flag.IMBALANCE_WARNING},
    "CONTACTOR_ERROR": {Flag.CONTACTOR_FAULT},
    "FAN_ERROR": {Flag.OTHER_WARNING},
    "GROUND_FAULT": {Flag.GROUND_FAULT},
    "OPEN_DOOR_ERROR": {Flag.OTHER_WARNING},
    "CURRENT_IMBALANCE_WARNING": {Flag.IMBALANCE_WARNING},
    "OTHER_ALARM": {Flag.OTHER_TRIP, Flag.OTHER_WARNING},
    "OTHER_WARNING": {Flag.OTHER_WARNING},
    "CONFIGURATION_ALARM": {Flag.OTHER_TRIP, Flag.OTHER_WARNING},
    "CONFIGURATION_WARNING": {Flag.OTHER_WARNING},
}


def test_event_bits_that_are_not_implemented_say_nothing() -> None:
    assert read(battery(Evt1=ABSENT, Evt1_high=ABSENT), module(CELLS)).flags == set()
    assert read(battery(Evt1=2, Evt1_high=0x8000), module(CELLS)).flags == set()


def test_every_strings_events_count() -> None:
    strings = extremes(804)
    strings[1][1][29 - 2] = 1 << 11
    assert Flag.LOW_VOLTAGE_TRIP in read(*strings).flags
    (bank,) = extremes(803)
    bank[1][28 + 32 + 21 - 2] = 1 << 9
    assert Flag.HIGH_VOLTAGE_TRIP in read(bank).flags


@pytest.mark.parametrize(
    ("raw", "is_possible"), [(999, True), (1_000, True), (1_001, False)]
)
def test_a_charge_above_100_percent_is_impossible(raw: int, is_possible: bool) -> None:  # noqa: FBT001 a table's column
    if is_possible:
        assert read(battery(SoC=raw), module(CELLS)).soc_permille == raw
    else:
        with pytest.raises(DriverError, match=r"802.SoC: 100\.1 % is impossible"):
            read(battery(SoC=raw), module(CELLS))
