"""The whole daemon with packs on Modbus and on CAN, and one shunt for the bank."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

import pytest

from mixed_whole import MixedHut, mixed_hut
from tocsin.core.events import AlarmFact, SourceFact
from tocsin.core.forecast import Limit

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable
    from pathlib import Path

    Play = Callable[[MixedHut], Awaitable[None]]

BOTH = pytest.mark.parametrize("shunt", ["modbus-map", "rv-c"])


def play(
    folder: Path,
    story: Play,
    *,
    shunt: str,
    right: str = "dbc",
    right_says_current: bool = True,
) -> None:
    async def main() -> None:
        async with mixed_hut(
            folder, right=right, shunt=shunt, right_says_current=right_says_current
        ) as hut:
            await story(hut)

    asyncio.run(main())


@BOTH
def test_a_pack_without_a_current_is_lent_what_the_shunt_leaves_until_it_fails(
    tmp_path: Path, shunt: str
) -> None:
    async def story(hut: MixedHut) -> None:
        hut.amperes(left=-30, shunt=-50)
        await hut.sees(lambda: hut.current_ma("right") == -20_000)
        await hut.sees(lambda: hut.level("charge") and hut.level("lights"))
        packs = {pack["name"]: pack for pack in hut.show()["packs"]}
        assert packs["left"]["values"]["current_a"]["source"] == "left"
        lent = packs["right"]["values"]["current_a"]
        assert lent["source"] == "shunt"
        assert lent["origin"]
        assert 0 <= lent["age_s"] < 10
        assert packs["right"]["values"]["cells_v"]["source"] == "right"
        hut.lose_shunt()
        await hut.sees(lambda: hut.current_ma("right") is None)
        await hut.sees(lambda: "extra-source-lost" in hut.raised())
        assert hut.level("charge"), "the cells are watched all the same"
        assert hut.current_ma("left") == -30_000
        state = hut.watcher.outcomes[-1].state
        reasons = {
            told.limit: told.reason
            for told in state.packs[1].foretold()
            if told.likely_ms is None
        }
        assert reasons[Limit.LOW] == "nothing says the pack's current now"
        (told,) = [
            fact
            for fact in hut.watcher.facts
            if isinstance(fact, AlarmFact) and fact.alarm == "extra-source-lost"
        ]
        assert "Nothing else says the current of right" in told.message
        assert "low-cell-forecast" in told.message
        hut.find_shunt()
        await hut.sees(lambda: hut.current_ma("right") == -20_000)
        states = [
            fact.state
            for fact in hut.watcher.facts
            if isinstance(fact, SourceFact) and fact.pack == "shunt"
        ]
        assert states[-1] == "online"
        assert "lost" in states

    play(tmp_path, story, shunt=shunt, right_says_current=False)


@BOTH
def test_a_shunt_that_drifts_away_from_the_packs_drops_the_permit_and_says_so(
    tmp_path: Path, shunt: str
) -> None:
    async def story(hut: MixedHut) -> None:
        hut.amperes(left=-30, right=-20, shunt=-50)
        await hut.sees(lambda: hut.level("charge"))
        for drift_a in (4, 8, 12):
            hut.amperes(shunt=-50 - drift_a)
            await hut.hears_shunt(times=2)
            assert "source-disagreement" not in hut.raised(), drift_a
        hut.amperes(shunt=-75)  # 11.2 A and a tenth are allowed, so 18.7 A
        await hut.sees(lambda: "source-disagreement" in hut.raised())
        assert not hut.level("charge")
        (told,) = [
            fact
            for fact in hut.watcher.facts
            if isinstance(fact, AlarmFact) and fact.alarm == "source-disagreement"
        ]
        assert told.subject == "shunt/current"
        assert "shunt says -75.0 A, left, right say -50.0 A." in told.message
        assert hut.current_ma("left") == -30_000, "its own word goes first"
        hut.amperes(shunt=-50)
        await hut.sees(lambda: hut.level("charge"))

    play(tmp_path, story, shunt=shunt)


def test_a_pack_heard_over_rv_c_is_held_against_the_shunt_as_well(
    tmp_path: Path,
) -> None:
    async def story(hut: MixedHut) -> None:
        hut.amperes(left=-30, right=-20, shunt=0)
        await hut.sees(lambda: "source-disagreement" in hut.raised())
        assert hut.current_ma("right") == -20_000

    play(tmp_path, story, shunt="modbus-map", right="rv-c")
