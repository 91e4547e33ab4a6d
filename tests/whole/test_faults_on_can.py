"""Whatever is wrong with the bus, charge is inhibited and the reason is on record."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

import pytest

from can_physical import LiveHut, live_hut
from simbus_made import bank, pack_design
from tocsin.core.events import SourceFact
from tocsin.journal import read
from tocsin_drivers.simbus import can_serve
from tocsin_drivers.simbus.can_faults import CanFault
from tocsin_drivers.simbus.profiles import Steady

if TYPE_CHECKING:
    from pathlib import Path

    from tocsin_drivers.simbus.bank import SimBank

EVERY = ""
EVERY_NODE = ("left dbc", "left rv-c", "right dbc", "right rv-c")
BLOCKED = (
    (CanFault.BABBLE, EVERY),
    *((CanFault.SILENCE, node) for node in EVERY_NODE),
)
"""A node that repeats the most urgent identifier wins every arbitration (ISO 11898-1):
the others are not heard any more."""


def quiet() -> SimBank:
    packs = [[pack_design(name, missing_ah=140)] for name in ("left", "right")]
    return bank(packs, loads_w={"lights": Steady(value=500)}, charge_output="charge")


def troubles(hut: LiveHut) -> str:
    """Return every reason that was told of sources and of the bus."""
    sources = [f.reason for f in hut.watcher.facts if isinstance(f, SourceFact)]
    alarms = [f.message for f in hut.alarms() if f.alarm == "daemon-trouble"]
    return "\n".join([*sources, *alarms])


def play(
    folder: Path, faults: tuple[tuple[CanFault, str], ...], words: str, right: str
) -> LiveHut:
    """Break the bus, see the charge inhibited and *words* told, repair, see it back."""

    async def main() -> LiveHut:
        async with live_hut(folder, quiet(), right=right) as hut:
            await hut.sees(lambda: hut.level("charge"))
            hut.begin()
            for fault, node in faults:
                hut.traffic.break_down(fault, node)
            await hut.sees(lambda: not hut.level("charge"))
            await hut.sees(lambda: words in troubles(hut))
            hut.traffic.repair()
            await hut.sees(lambda: hut.level("charge"))
            return hut

    return asyncio.run(main())


def record(folder: Path) -> str:
    return "\n".join(str(row.detail) for row in read(folder / "journal"))


def blind_and_charging(hut: LiveHut) -> list[int]:
    """Return the times at which charge was permitted on data older than allowed."""
    return [
        outcome.state.now_ms
        for outcome in hut.outcomes
        for pack in outcome.state.packs
        for demand in outcome.demands
        if demand.output == "charge" and demand.energised
        if outcome.state.now_ms - pack.heard_ms >= STALE_MS
    ]


STALE_MS = 60_000


@pytest.mark.parametrize(
    ("faults", "words"),
    [
        (((CanFault.BUS_OFF, EVERY),), "old"),
        (((CanFault.SILENCE, "left dbc"),), "Left_"),
        (((CanFault.MISSING_PAGES, "left dbc"),), "Left_Cells.Cell_"),
        (((CanFault.WRONG_LENGTH, "left dbc"),), "Left_"),
        (((CanFault.NOISE, EVERY),), "slcan:"),
        (BLOCKED, "old"),
    ],
    ids=["bus-off", "silence", "missing pages", "wrong lengths", "garbage", "babble"],
)
def test_a_fault_of_the_bus_inhibits_charge_and_says_why(
    faults: tuple[tuple[CanFault, str], ...], words: str, tmp_path: Path
) -> None:
    hut = play(tmp_path, faults, words, "dbc")
    assert blind_and_charging(hut) == []
    assert words in record(tmp_path)
    assert '"output": "charge"' in record(tmp_path)


def test_two_rv_c_devices_of_one_rank_are_not_believed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(can_serve, "LOWER_PRIORITY", 120)
    fault = (CanFault.DUPLICATE, "right rv-c")
    hut = play(tmp_path, (fault,), "comes from both", "rv-c")
    assert blind_and_charging(hut) == []
    assert "comes from both 48h and 81h of priority 120" in record(tmp_path)


def test_a_second_rv_c_device_of_lower_rank_is_not_heeded(tmp_path: Path) -> None:
    async def story() -> LiveHut:
        async with live_hut(tmp_path, quiet(), right="rv-c") as hut:
            await hut.sees(lambda: hut.level("charge"))
            hut.begin()
            hut.traffic.break_down(CanFault.DUPLICATE, "right rv-c")
            await hut.sees(lambda: len(hut.outcomes) > 60)
            return hut

    hut = asyncio.run(story())
    true_mv = hut.bank.packs["right"].reading.voltage_mv
    heard = [o.state.packs[1].sample for o in hut.outcomes]
    volts = {sample.voltage_mv for sample in heard if sample and sample.voltage_mv}
    assert all(abs(mv - true_mv) < 300 for mv in volts), "its own is 900 mV higher"
    assert all(hut.level(name) for name in ("charge", "drying", "lights"))
