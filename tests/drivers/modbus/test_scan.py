"""A look at Modbus units: who is there, and what a battery says of itself."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from simbus_made import pack
from tocsin.ports import CanLine, TcpLine
from tocsin.sightings import ScanSpec
from tocsin_drivers.modbus.scan import ModbusScanner, build
from tocsin_drivers.modbus.sunspec_facts import SERIAL, text_of
from tocsin_drivers.simbus import frames
from tocsin_drivers.simbus.image import SUNSPEC_BASE, sunspec_image
from tocsin_drivers.simbus.server import Device, Fault, TcpBus

if TYPE_CHECKING:
    from collections.abc import Mapping

    from tocsin.sightings import Found

# Offsets in the chain of models 1, 802, 803, 804 and 805 that the simulated pack has.
COMMON = SUNSPEC_BASE + 2
BATTERY = COMMON + 68
MODULE = BATTERY + 64 + 60 + 64
READING = replace(pack(missing_ah=140.0, temp_c=20.0).reading, name="A-1")


def registers(**changes: int) -> dict[int, int]:
    image = sunspec_image(READING)
    return image | {int(at.lstrip("r")): value for at, value in changes.items()}


def unit(image: Mapping[int, int]) -> Device:
    return Device(lambda: image)


def look(units: Mapping[int, Device], ask: range) -> Found:
    async def story() -> Found:
        async with TcpBus(units) as bus:
            line = TcpLine(host="127.0.0.1", port=bus.port)
            scanner = build(ScanSpec(line=line, units=ask, timeout_ms=100))
            await scanner.run()
            return scanner.found()

    return asyncio.run(story())


def test_a_battery_says_who_it_is_and_how_much() -> None:
    (battery,) = look({1: unit(registers())}, range(1, 2)).batteries
    assert battery.title == "Tocsin simulated pack, version 1, serial number A-1"
    assert (battery.name, battery.unit, battery.trouble) == ("A-1", 1, "")
    assert (battery.cells, battery.capacity_ah) == (16, 280)
    assert battery.voltage_v == pytest.approx(READING.voltage_mv / 1000, abs=0.006)
    told = dict(battery.told)
    assert told["has"].endswith("16 cells in series, 280 Ah")
    low, high = min(READING.cells_mv) / 1000, max(READING.cells_mv) / 1000
    assert f"cells {low:.3f} to {high:.3f} V" in told["now"]


def test_a_device_that_answers_to_several_units_is_one_pack() -> None:
    image = registers()
    first, second = look({1: unit(image), 2: unit(image)}, range(1, 3)).batteries
    assert first.aside == ""
    assert second.aside == "unit 1 once more, by all that it says of itself"


def test_two_devices_of_one_make_are_two_packs() -> None:
    other = sunspec_image(replace(READING, name="A-2"))
    found = look({1: unit(registers()), 2: unit(other)}, range(1, 3))
    assert [each.aside for each in found.batteries] == ["", ""]


def test_a_serial_number_of_fillers_makes_nobody_the_same_device() -> None:
    zeros = dict.fromkeys(range(COMMON + 50, COMMON + 66), 0x3030)
    warmer = replace(READING, name="x", temps_dc=tuple(t + 9 for t in READING.temps_dc))
    units = {
        1: unit(sunspec_image(READING) | zeros),
        2: unit(sunspec_image(warmer) | zeros),
    }
    first, second = look(units, range(1, 3)).batteries
    assert (first.name, second.name) == ("unit-1", "unit-2")
    assert second.aside == ""


@pytest.mark.parametrize(
    ("code", "is_there"), [(0x01, True), (0x02, True), (0x0A, False), (0x0B, False)]
)
def test_an_exception_is_an_answer_unless_a_gateway_says_nobody_is_there(
    code: int,
    is_there: bool,  # noqa: FBT001
) -> None:
    class Refusing(Device):
        def answer(self, request: frames.Request) -> bytes:
            return frames.refusal(request, code)

    found = look({1: Refusing(dict)}, range(1, 2))
    assert [each.unit for each in found.answers] == ([1] if is_there else [])


def test_silent_units_are_passed_over() -> None:
    silent = unit(registers())
    silent.break_down(Fault.DEAD)
    found = look({1: silent, 3: unit(registers())}, range(1, 4))
    assert [each.unit for each in found.batteries] == [3]
    assert found.extent == "asked units 1 to 3"
    assert found.trouble == ""


def test_a_map_without_a_battery_is_told_as_an_answer() -> None:
    end = registers(**{f"r{BATTERY}": 0xFFFF})
    (answer,) = look({4: unit(end)}, range(4, 5)).answers
    assert answer.unit == 4
    assert "no battery model" in answer.why


def test_a_battery_that_cannot_be_read_whole_says_why() -> None:
    image = registers(**{f"r{MODULE + 44}": 0xFFFF})
    (battery,) = look({1: unit(image)}, range(1, 2)).batteries
    assert "cell 1" in battery.trouble


@pytest.mark.parametrize("fault", [Fault.GARBAGE, Fault.SHORT_REPLY, Fault.CUT])
def test_a_broken_device_never_ends_the_look(fault: Fault) -> None:
    broken = unit(registers())
    broken.break_down(fault)
    found = look({1: broken, 2: unit(registers())}, range(1, 3))
    assert 2 in {each.unit for each in found.batteries}


def test_a_host_that_goes_away_ends_the_look_with_its_reason() -> None:
    async def story() -> Found:
        async with TcpBus({1: unit(registers())}) as bus:
            line = TcpLine(host="127.0.0.1", port=bus.port)
            scanner = build(ScanSpec(line=line, units=range(1, 200), timeout_ms=100))
            looking = asyncio.ensure_future(scanner.run())
            async with asyncio.timeout(20):
                while not scanner.found().batteries:  # noqa: ASYNC110 a look at its state
                    await asyncio.sleep(0.02)
                await bus.unplug()
                await looking
            return scanner.found()

    found = asyncio.run(story())
    assert "cannot be opened" in found.trouble
    assert len(found.batteries) == 1
    assert "of 199 units" in found.extent


def test_text_from_a_wire_is_printable_whatever_it_is() -> None:
    wild = tuple([0] * 50 + [0x1B5B, 0x4180, 0x0A42, 0x0043] + [0] * 12)
    assert text_of(wild, SERIAL) == "[A  B"


def test_only_a_modbus_line_can_be_asked() -> None:
    bus = CanLine(interface="virtual", channel="x")
    with pytest.raises(ValueError, match="no Modbus line"):
        ModbusScanner(ScanSpec(line=bus))
