"""Cold morning, full morning, empty night: a physical battery over slcan.

The order of warnings and outputs is asserted in steps of the core. The packs are heard
by the hut's own messages, cell by cell, or as RV-C, which tells of no cell: there the
temperature and the protection's own flags must do.
"""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

import pytest

from can_physical import LiveHut, dropped, energised, live_hut, raised
from tocsin_drivers.simbus.bank import Charger, SimBank, SiteDesign
from tocsin_drivers.simbus.cell import CellDesign
from tocsin_drivers.simbus.pack import PackDesign, spread_cells
from tocsin_drivers.simbus.profiles import Line, Steady
from tocsin_drivers.simbus.protector import Limits

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable, Mapping
    from pathlib import Path

    Play = Callable[[LiveHut], Awaitable[None]]

# The protection refuses charge at 0 degC, the rule acts at 5 degC.
GUARD = Limits(cold_charge_c=0.0, cold_release_c=1.0)


def pack(
    name: str,
    *,
    missing_ah: float,
    temp_c: float = 20.0,
    weak: Mapping[int, CellDesign] | None = None,
    ahead_ah: Mapping[int, float] | None = None,
    ambient_w_per_k: float = 0.2,
) -> list[PackDesign]:
    typical = CellDesign(ambient_w_per_k=ambient_w_per_k)
    design = PackDesign(
        name=name,
        cells=spread_cells(16, typical, capacity_spread=0.002, weak=weak or {}),
        missing_ah=missing_ah,
        ahead_ah=ahead_ah or {},
        temp_c=temp_c,
        limits=GUARD,
    )
    return [design]


def play(folder: Path, bank: SimBank, story: Play, **drivers: str) -> LiveHut:
    """Wait until every permit is energised, let the story happen, return the hut."""

    async def main() -> LiveHut:
        async with live_hut(folder, bank, **drivers) as hut:
            outputs = ("charge", "drying", "lights")
            await hut.sees(lambda: all(map(hut.level, outputs)))
            hut.begin()
            await story(hut)
            return hut

    return asyncio.run(main())


def lost(bank: SimBank) -> list[float]:
    """Return the currents that the protection has cut."""
    return [cut.current_a for cut in bank.cut_offs if cut.current_a]


@pytest.mark.parametrize("right", ["dbc", "rv-c"])
def test_a_cold_morning_inhibits_charge_until_the_sun_has_warmed_the_cells(
    right: str, tmp_path: Path
) -> None:
    thin = 10.0  # it cools in minutes, not hours
    dawn = Line(points=((0, -12), (150, -12), (180, 40), (900, 40)))
    bank = SimBank(
        [
            pack("left", missing_ah=140, temp_c=13, ambient_w_per_k=thin),
            pack("right", missing_ah=140, temp_c=9, ambient_w_per_k=thin),
        ],
        SiteDesign(
            loads_w={"lights": Steady(value=200)},
            sources_w={"hydro": Steady(value=600)},
            charge_output="charge",
            ambient_c=dawn,
        ),
    )

    async def story(hut: LiveHut) -> None:
        await hut.sees(lambda: not hut.level("charge"))
        await hut.sees(lambda: hut.level("charge"))

    hut = play(tmp_path, bank, story, right=right)
    down = hut.step_of(dropped("charge"))
    assert hut.step_of(raised("cold-charge", "right")) == down, "one and the same step"
    assert all(energised(o, "lights") for o in hut.outcomes), "loads go on"
    first = hut.outcomes[down]
    reasons = next(d.because for d in first.demands if d.output == "charge")
    assert "cold-charge" in reasons
    coldest = [min(p.sample.temps_dc) for p in first.state.packs if p.sample]
    assert 0 < min(coldest) <= 50
    back = hut.step_of(lambda o: o is hut.outcomes[-1])
    warm = [min(p.sample.temps_dc) for p in hut.outcomes[back].state.packs if p.sample]
    assert min(warm) >= 60, "not before the clear limit"
    assert lost(bank) == [], "the protection never had to act"


def test_a_full_morning_stops_the_charge_before_the_protection_does(
    tmp_path: Path,
) -> None:
    bank = SimBank(
        [
            pack("left", missing_ah=9, ahead_ah={4: 6.5}),
            pack("right", missing_ah=9),
        ],
        SiteDesign(
            loads_w={"lights": Steady(value=100)},
            sources_w={"sun": Steady(value=9_000)},
            charger=Charger(absorption_v=60, limit_a=160),  # set too high
            charge_output="charge",
        ),
    )

    async def story(hut: LiveHut) -> None:
        await hut.sees(lambda: not hut.level("charge"))
        await hut.sees(lambda: bank.current_a < 0)

    hut = play(tmp_path, bank, story)
    down = hut.step_of(dropped("charge"))
    reasons = next(
        d.because for d in hut.outcomes[down].demands if d.output == "charge"
    )
    assert {"rising-cell", "high-cell"} & set(reasons)
    warned = [f.subject for f in hut.alarms() if f.alarm in reasons]
    assert "left/4" in warned
    assert all(energised(o, "drying") for o in hut.outcomes)
    assert lost(bank) == [], "the protection never had to act"


def nightly(name: str) -> SimBank:
    """Return a bank at work, the weak cell 11 of pack *name* nearly empty."""
    weak = {11: CellDesign(capacity_ah=40, ohm_ah=0.017)}  # as much ohm as the others
    packs = {
        each: pack(each, missing_ah=37, weak=weak if each == name else None)
        for each in ("left", "right")
    }
    return SimBank(
        list(packs.values()),
        SiteDesign(
            loads_w={"drying": Steady(value=1_500), "lights": Steady(value=3_500)},
            charge_output="charge",
        ),
    )


def test_an_empty_night_warns_then_sheds_stage_by_stage(tmp_path: Path) -> None:
    bank = nightly("left")

    async def story(hut: LiveHut) -> None:
        await hut.sees(lambda: not hut.level("lights"))

    hut = play(tmp_path, bank, story, right="rv-c")
    warned = hut.step_of(
        lambda o: (
            raised("low-cell-forecast", "left/11")(o)
            or raised("low-cell-early", "left/11")(o)
        )
    )
    drying, lights = map(hut.step_of, map(dropped, ("drying", "lights")))
    assert warned <= drying <= lights
    assert hut.dropped_ms("drying") < hut.dropped_ms("lights"), "each in its own time"
    assert not any(
        energised(o, "drying") and not energised(o, "lights") for o in hut.outcomes
    ), "never the lights before the drying room"
    assert any(energised(o, "horn") for o in hut.outcomes[: lights + 1])
    assert lost(bank) == [], "the protection never had to act"


def test_a_pack_that_tells_no_cells_is_heard_by_its_own_flags(tmp_path: Path) -> None:
    bank = nightly("right")

    async def story(hut: LiveHut) -> None:
        await hut.sees(lambda: not hut.level("lights"))

    hut = play(tmp_path, bank, story, right="rv-c")
    warned = hut.step_of(raised("protector-warning", "right"))
    refused = hut.step_of(raised("protector-refuses-load", "right"))
    drying, lights = map(hut.step_of, map(dropped, ("drying", "lights")))
    assert warned < refused <= drying <= lights
    reasons = next(
        d.because for d in hut.outcomes[lights].demands if d.output == "lights"
    )
    assert "protector-refuses-load" in reasons
    assert [cut.pack for cut in bank.cut_offs][:1] == ["right"]
