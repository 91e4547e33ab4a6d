"""The site file of what was found: it always loads, whatever a device calls itself."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tocsin.cli.scan_site import site_text
from tocsin.ports import CanLine, SerialLine, TcpLine
from tocsin.sightings import Answer, Battery, Found, Identifier
from tocsin_config import load

if TYPE_CHECKING:
    from pathlib import Path

    from tocsin_config import Setup

HOST = TcpLine(host="192.0.2.1", port=1502)
PORT = SerialLine(device="/dev/ttyUSB0", baud=9_600, parity="N", stop_bits=2)
BUS = CanLine(interface="slcan", channel="/dev/ttyACM0", bitrate=250_000)


def sunspec(unit: int = 1, **more: object) -> Battery:
    values: dict[str, object] = {"name": f"p{unit}", "cells": 16, "capacity_ah": 280.0}
    values |= more
    return Battery(driver="sunspec", title="A maker", unit=unit, **values)  # type: ignore[arg-type]


def rvc(instance: int = 1, **more: object) -> Battery:
    values: dict[str, object] = {"name": f"dc-{instance}", "voltage_v": 53.0} | more
    return Battery(driver="rv-c", title="A source", instance=instance, **values)  # type: ignore[arg-type]


def found(line: TcpLine | SerialLine | CanLine, *batteries: Battery) -> Found:
    return Found(place="x", line=line, extent="", batteries=batteries)


def loaded(folder: Path, *every: Found) -> Setup:
    text = site_text(every)
    assert text is not None
    path = folder / "site.toml"
    path.write_text(text, encoding="utf-8")
    return load(path)


@pytest.mark.parametrize("line", [HOST, PORT, TcpLine(host="h", framing="rtu")])
def test_a_modbus_line_stands_in_the_file_as_it_was_looked_at(
    line: TcpLine | SerialLine, tmp_path: Path
) -> None:
    setup = loaded(tmp_path, found(line, sunspec(1), sunspec(2)))
    assert [(spec.line, spec.unit) for spec in setup.sources] == [(line, 1), (line, 2)]


def test_a_can_bus_stands_in_the_file_as_it_was_looked_at(tmp_path: Path) -> None:
    setup = loaded(tmp_path, found(BUS, rvc(), rvc(3)))
    assert [spec.driver for spec in setup.sources] == ["rv-c", "rv-c"]
    assert [spec.line for spec in setup.sources] == [BUS, BUS]


def test_beside_packs_that_tell_cells_one_that_does_not_would_drop_the_permits(
    tmp_path: Path,
) -> None:
    small = rvc(capacity_ah=10.0)
    setup = loaded(tmp_path, found(BUS, small), found(HOST, sunspec()))
    assert [spec.driver for spec in setup.sources] == ["sunspec"]
    text = (tmp_path / "site.toml").read_text()
    assert "left out: it tells of no single cell, and may be one of the packs" in text
    assert "capacity_ah = 280 " in text, "of what is in the bank"


@pytest.mark.parametrize(
    ("volts", "cells"), [(13.2, 4), (14.6, 4), (26.6, 8), (52.8, 16), (58.4, 16)]
)
def test_cells_that_nobody_counts_are_guessed_from_the_voltage_and_marked(
    volts: float, cells: int, tmp_path: Path
) -> None:
    setup = loaded(tmp_path, found(BUS, rvc(voltage_v=volts)))
    assert setup.sources[0].cells == cells
    text = (tmp_path / "site.toml").read_text()
    assert f"# NOT TOLD: guessed from {volts:g} V" in text
    assert "NOT TOLD: the nameplate" in text


def test_what_cannot_be_a_pack_stands_there_as_a_comment_with_its_reason(
    tmp_path: Path,
) -> None:
    odd = sunspec(3, cells=15)
    ill = sunspec(4, trouble="cell 1: not implemented")
    twin = sunspec(5, aside="unit 1 once more")
    every = found(HOST, sunspec(1), sunspec(2), odd, ill, twin)
    setup = loaded(tmp_path, every)
    assert [spec.name for spec in setup.sources] == ["p1", "p2"]
    text = (tmp_path / "site.toml").read_text()
    for why in (
        "left out: 15 cells in series, the bank's other packs have 16",
        "left out: no whole reading: cell 1: not implemented",
        "left out: unit 1 once more",
    ):
        assert f"# {why}\n# [[pack]]\n" in text


def test_of_several_nameplates_the_smallest_counts(tmp_path: Path) -> None:
    every = found(HOST, sunspec(1), sunspec(2, capacity_ah=100.0))
    loaded(tmp_path, every)
    text = (tmp_path / "site.toml").read_text()
    assert "capacity_ah = 100          # the smallest that was told" in text


def test_two_of_one_name_get_two_names(tmp_path: Path) -> None:
    every = found(HOST, sunspec(1, name="left"), sunspec(2, name="left"))
    assert [s.name for s in loaded(tmp_path, every).sources] == ["left", "left-2"]


def test_without_a_battery_that_can_be_read_there_is_no_file() -> None:
    heard = Identifier(
        can_id=1,
        is_extended=False,
        frames=1,
        rate_hz=None,
        lengths=(0,),
        pattern="",
    )
    only = Found(
        place="x",
        line=HOST,
        extent="",
        batteries=(sunspec(trouble="no"), sunspec(2, aside="no")),
        answers=(Answer(unit=9, why="exception 02"),),
        identifiers=(heard,),
    )
    assert site_text([only]) is None
    assert site_text([]) is None


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(wild=st.text(max_size=40), more=st.text(max_size=40))
def test_whatever_a_device_calls_itself_the_file_loads(
    wild: str, more: str, tmp_path: Path
) -> None:
    named = replace(sunspec(), title=wild)
    ill = replace(sunspec(2), title=more, trouble=wild + "\n[[pack]]", aside=more)
    line = TcpLine(host="h", port=502)
    setup = loaded(tmp_path, found(line, named, ill))
    assert [spec.name for spec in setup.sources] == ["p1"]
