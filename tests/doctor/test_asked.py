"""Packs that doctor asks itself, over real Modbus TCP, while no daemon runs."""

from __future__ import annotations

import asyncio
import socket
from typing import TYPE_CHECKING

from doctor_stage import looked
from process_stage import site_file
from tocsin.doctor import Finding, State, Topic
from tocsin_drivers.simbus.server import Fault
from whole_stage import served

if TYPE_CHECKING:
    from pathlib import Path


async def on_the_bus(site: Path) -> dict[str, Finding]:
    found = await looked(site)
    return {k.split()[0]: f for k, f in found.items() if f.topic is Topic.BUS}


def test_a_unit_that_answers_is_good_and_one_that_does_not_is_wrong(
    tmp_path: Path,
) -> None:
    async def main() -> dict[str, Finding]:
        async with served(tmp_path) as whole:
            whole.devices["right"].break_down(Fault.DEAD)
            return await on_the_bus(site_file(whole, pack="timeout_s = 0.5"))

    found = asyncio.run(main())
    assert found["left"].state is State.GOOD
    assert "asked as Modbus unit 1" in found["left"].seen
    assert found["right"].state is State.WRONG
    assert "asked as Modbus unit 2" in found["right"].seen


def test_a_bus_that_nobody_serves_is_wrong_and_says_where(tmp_path: Path) -> None:
    async def main() -> dict[str, Finding]:
        async with served(tmp_path) as whole:
            site = site_file(whole)
        with socket.socket() as kept:  # nobody else shall get this port
            kept.bind(("127.0.0.1", whole.bus.port))
            return await on_the_bus(site)

    found = asyncio.run(main())
    assert {f.state for f in found.values()} == {State.WRONG}
    assert "cannot be opened" in found["left"].seen
