"""The whole daemon on a simulated CAN bus, over python-can's slcan on a pty."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

import pytest

from can_whole import CanHut, hut_on_can
from tocsin_drivers.simbus.can_faults import CanFault

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable
    from pathlib import Path

    Play = Callable[[CanHut], Awaitable[None]]


def play(folder: Path, story: Play, **drivers: str) -> None:
    """Wait until every permit is energised, then let the *story* happen."""

    async def main() -> None:
        async with hut_on_can(folder, **drivers) as hut:
            await hut.sees(lambda: all(map(hut.level, ("charge", "drying", "lights"))))
            await story(hut)

    asyncio.run(main())


def test_a_cold_morning_inhibits_charge(tmp_path: Path) -> None:
    async def story(hut: CanHut) -> None:
        hut.set("left", temps_dc=(*hut.readings["left"].temps_dc[:-1], 45))
        await hut.sees(lambda: not hut.level("charge"))
        assert hut.level("lights")

    play(tmp_path, story)


def test_a_full_morning_inhibits_charge(tmp_path: Path) -> None:
    async def story(hut: CanHut) -> None:
        hut.cell("right", 11, 3_700)
        await hut.sees(lambda: not hut.level("charge"))
        assert hut.level("drying")

    play(tmp_path, story)


def test_an_empty_night_sheds_the_first_stage_first(tmp_path: Path) -> None:
    async def story(hut: CanHut) -> None:
        hut.cell("right", 11, 2_850)
        await hut.sees(lambda: not hut.level("drying"))
        levels = {
            (drying.energised, lights.energised)
            for outcome in hut.watcher.outcomes[-200:]
            for drying in outcome.demands
            for lights in outcome.demands
            if (drying.output, lights.output) == ("drying", "lights")
        }
        assert (True, False) not in levels, "never the lights before the drying room"

    play(tmp_path, story)


@pytest.mark.parametrize(
    ("fault", "node"),
    [
        (CanFault.SILENCE, "left dbc"),
        (CanFault.MISSING_PAGES, "left dbc"),
        (CanFault.BUS_OFF, ""),
    ],
)
def test_a_pack_that_is_not_heard_whole_drops_its_permit_until_it_is(
    tmp_path: Path, fault: CanFault, node: str
) -> None:
    async def story(hut: CanHut) -> None:
        hut.traffic.break_down(fault, node)
        await hut.sees(lambda: not hut.level("charge"))
        hut.traffic.repair()
        await hut.sees(lambda: hut.level("charge"))

    play(tmp_path, story)


def test_noise_on_the_adapter_s_line_does_not_stop_the_work(tmp_path: Path) -> None:
    async def story(hut: CanHut) -> None:
        hut.traffic.break_down(CanFault.NOISE)
        hut.cell("right", 11, 3_700)
        await hut.sees(lambda: not hut.level("charge"))

    play(tmp_path, story)
