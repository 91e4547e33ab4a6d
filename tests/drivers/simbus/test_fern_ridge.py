"""The rehearsal: its story happens, with a sane controller and without any."""

from __future__ import annotations

import asyncio
from functools import cache
from importlib.metadata import entry_points
from typing import TYPE_CHECKING

import pytest

from simbus_controller import Controller, rehearse
from simbus_wire import over_tcp, read
from tocsin.core.rules import Role
from tocsin_config import load
from tocsin_drivers.simbus.fern_ridge import (
    DURATION_S,
    STAGES,
    at_clock,
    make_bank,
    narrate,
    rehearsal,
)

if TYPE_CHECKING:
    from pathlib import Path

    from tocsin.rehearsal import Rehearsal
    from tocsin_drivers.simbus.bank import SimBank


@cache
def guarded() -> tuple[SimBank, dict[str, float]]:
    """Return the hut after a night with a controller, and when each thing came."""
    bank, controller = make_bank(), Controller()
    rehearse(bank, DURATION_S, controller)
    return bank, {what: at_s for at_s, what in controller.happened}


@cache
def unguarded() -> SimBank:
    bank = make_bank()
    rehearse(bank, DURATION_S)
    return bank


def test_the_story_comes_in_its_order() -> None:
    _, at = guarded()
    order = [
        "cold begins", "pre-warning", "stage-1 off", "stage-2 off", "cold ends",
        "generator off", "stage-2 on", "stage-1 on", "full begins",
    ]  # fmt: skip
    assert sorted(order, key=lambda what: at[what]) == order
    assert at["generator on"] == at["stage-2 off"]


def test_the_story_keeps_to_the_clock() -> None:
    _, at = guarded()
    dawn_s = at_clock(7.2)
    assert at["cold begins"] < dawn_s < at["cold ends"]
    assert at_clock(4.0) < at["pre-warning"] < at["stage-2 off"] < dawn_s
    assert at_clock(8.5) < at["cold ends"] < at_clock(10)
    assert at_clock(12.5) < at["full begins"] < DURATION_S


def test_stages_come_back_one_at_a_time_after_returned_charge() -> None:
    _, at = guarded()
    assert at["stage-2 on"] - at["cold ends"] > 20 * 60
    assert at["stage-1 on"] - at["stage-2 on"] >= 10 * 60
    assert "stage-3 off" not in at


def test_with_a_controller_the_protection_never_cuts_anything_off() -> None:
    bank, _ = guarded()
    assert [cut for cut in bank.cut_offs if cut.current_a] == []
    assert {cut.direction for cut in bank.cut_offs} == {"charge"}  # the cold night
    assert bank.dark_s == 0


def test_without_anybody_the_protection_cuts_off_right_before_dawn() -> None:
    bank = unguarded()
    lost = [cut for cut in bank.cut_offs if cut.current_a]
    assert [(cut.pack, cut.direction) for cut in lost] == [("right", "discharge")]
    assert at_clock(4.4) < lost[0].at_s < at_clock(7)
    assert bank.dark_s > 1_800


def test_the_warning_comes_before_the_cut_off_it_prevents() -> None:
    _, at = guarded()
    cut_s = next(cut.at_s for cut in unguarded().cut_offs if cut.current_a)
    assert cut_s - at["pre-warning"] > 15 * 60
    assert cut_s - at["stage-2 off"] > 5 * 60


def test_the_night_is_the_same_every_night() -> None:
    nights = []
    for _ in range(2):
        bank = make_bank()
        rehearse(bank, 3_600, Controller())
        nights.append([pack.reading for pack in bank.packs.values()])
    assert nights[0] == nights[1]


def test_the_site_file_is_accepted_and_fits_what_is_served(tmp_path: Path) -> None:
    async def ask() -> None:
        async with rehearsal(tmp_path / "a folder") as hut:
            site_file = tmp_path / "site.toml"
            site_file.write_text(hut.site_text)
            setup = load(site_file)
            assert setup.journal_folder == tmp_path / "a folder"
            assert setup.poll_ms == 10_000
            assert [o.stage for o in setup.site.outputs][1:4] == [1, 2, 3]
            assert tuple(o.name for o in setup.site.outputs)[1:4] == STAGES
            absent = {Role.HEATER_CALL, Role.GENERATOR_LOAD}
            assert {o.role for o in setup.site.outputs} == set(Role) - absent
            for source in setup.sources:
                async with over_tcp(hut.bus.port) as client:
                    found = await read(client, 40_000, 2, unit=source.unit)
                    assert found == [0x5375, 0x6E53]

    asyncio.run(ask())


def test_the_rehearsal_is_found_by_its_name_and_moves(tmp_path: Path) -> None:
    (found,) = entry_points(group="tocsin.rehearsals", name="fern-ridge")

    async def ask() -> None:
        async with found.load()(tmp_path) as made:
            hut: Rehearsal = made
            assert hut.duration_s == DURATION_S
            hut.advance(60.0)
            assert hut.narrate(60.0).startswith("18:01 ")
            assert "rests" in hut.narrate(60.0)
            hut.follow({"stage-1": True, "stage-2": True, "charge": True})
            hut.advance(120.0)
            assert "gives" in hut.narrate(120.0)
            async with over_tcp(made.bus.port) as client:
                heartbeats = await read(client, 40_002 + 68 + 18)
            assert heartbeats == [120]

    asyncio.run(ask())


@pytest.mark.parametrize(
    ("hour", "words"),
    [
        (18.5, "kitchen cooks"), (0, "hut sleeps"), (5, "early party"),
        (7, "coldest hour"), (8, "reaches the roof"), (13, "near full"),
    ],
)  # fmt: skip
def test_every_hour_has_words(hour: float, words: str) -> None:
    told = narrate(make_bank(), at_clock(hour))
    assert words in told
    assert told.startswith(f"{int(hour):02d}:")
