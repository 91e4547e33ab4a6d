"""The entry points over real sockets and ptys."""

from __future__ import annotations

import asyncio
from importlib.metadata import entry_points
from typing import TYPE_CHECKING, Any

import pytest

from modbus_device import battery, common, image, module
from modbus_slave import Slave, on_pty, on_tcp
from tocsin.ports import DriverError, SerialLine, SourceSpec, TcpLine
from tocsin.registers import Point, PointRole, RegisterMap
from tocsin_drivers.modbus.sources import build_map, build_sunspec

if TYPE_CHECKING:
    from tocsin.core.model import Sample
    from tocsin.ports import Sources

CELLS = tuple(range(3_300, 3_316))
MAP = RegisterMap(
    points=(
        Point(role=PointRole.CONSTANT, address=0x0FFF, expect=0x0FFF),
        Point(role=PointRole.CELL, address=0x1000, count=16, scale=0.001),
    )
)


def spec(line: TcpLine | SerialLine | None, **changes: Any) -> SourceSpec:
    values: dict[str, Any] = {"name": "left", "driver": "sunspec", "cells": 16}
    values |= {"timeout_ms": 300} | changes
    return SourceSpec(line=line, **values)


async def once(sources: Sources, name: str = "left") -> Sample:
    async with sources.open(name) as source:
        return await source.read()


def test_the_entry_points_are_these() -> None:
    named = {entry.name: entry for entry in entry_points(group="tocsin.sources")}
    assert named["modbus-map"].load() is build_map
    assert named["sunspec"].load() is build_sunspec


@pytest.mark.parametrize("framing", ["tcp", "rtu"])
def test_a_sunspec_battery_is_read_over_tcp(framing: str) -> None:
    async def story() -> None:
        slave = Slave(registers=image([common(), battery(), module(CELLS)]))
        async with on_tcp(slave, rtu=framing == "rtu") as port:
            line = TcpLine(host="127.0.0.1", port=port, framing=framing)
            sources = build_sunspec([spec(line)])
            sample = await once(sources)
            assert (sample.cells_mv, sample.current_ma) == (CELLS, -12_500)
            asked = len(slave.log)
            await once(sources)
            assert len(slave.log) - asked == 3  # what was walked is remembered
        assert {request.function for request in slave.log} == {3}

    asyncio.run(story())


def test_a_map_and_a_sunspec_pack_share_one_serial_line() -> None:
    async def story() -> None:
        registers = image([common(), battery(), module(CELLS)])
        registers |= {address: address for address in range(0x0F00, 0x1100)}
        slave = Slave(registers=registers)
        async with on_pty(slave) as cable:
            line = SerialLine(device=cable.device)
            maps = build_map(
                [spec(line, driver="modbus-map", unit=2, options={"map": MAP})]
            )
            suns = build_sunspec([spec(line, name="right", unit=1)])
            by_map, by_models = await asyncio.gather(once(maps), once(suns, "right"))
            assert by_map.cells_mv == tuple(range(0x1000, 0x1010))
            assert by_models.cells_mv == CELLS

    asyncio.run(story())


def test_a_pack_that_nobody_serves_is_a_driver_error() -> None:
    async def story() -> None:
        async with on_tcp(Slave()) as port:
            pass
        sources = build_sunspec([spec(TcpLine(host="127.0.0.1", port=port))])
        with pytest.raises(DriverError, match="cannot be opened"):
            await once(sources)

    asyncio.run(story())


def test_a_map_that_the_device_does_not_have_is_a_driver_error_at_once() -> None:
    async def story() -> None:
        async with on_tcp(Slave(registers={})) as port:
            line = TcpLine(host="127.0.0.1", port=port)
            sources = build_map([spec(line, options={"map": MAP})])
            with pytest.raises(DriverError, match="constant at 0x0FFF to cell 16"):
                await once(sources)

    asyncio.run(story())


def test_a_lost_battery_is_found_again() -> None:
    async def story() -> None:
        slave = Slave(registers=image([common(), battery(), module(CELLS)]))
        well = slave.behave
        async with on_tcp(slave) as port:
            line = TcpLine(host="127.0.0.1", port=port)
            sources = build_sunspec([spec(line, timeout_ms=50)])
            await once(sources)
            slave.behave = lambda *_: None
            with pytest.raises(DriverError, match="no answer"):
                await once(sources)
            slave.behave = well
            assert (await once(sources)).cells_mv == CELLS

    asyncio.run(story())


def test_what_the_site_file_should_have_said_is_a_value_error() -> None:
    line = TcpLine(host="127.0.0.1", port=1)
    with pytest.raises(ValueError, match="left has no register map"):
        build_map([spec(line)])
    with pytest.raises(ValueError, match="left has no such current sign"):
        build_sunspec([spec(line, options={"current_sign": "up"})])
    with pytest.raises(ValueError, match="left has no line"):
        build_sunspec([spec(None)])
