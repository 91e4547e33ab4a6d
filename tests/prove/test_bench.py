"""The daemon's half over its control socket, in stepped time."""

from __future__ import annotations

import asyncio
import json
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass, field, replace
from functools import partial
from typing import TYPE_CHECKING, Any

import pytest

from shell_stage import HUT, Stage
from tocsin import control
from tocsin.core.events import InputSeen, ProofFact
from tocsin.core.plant import Input, InputRole
from tocsin.prove import Bench

if TYPE_CHECKING:
    from collections.abc import AsyncIterator
    from pathlib import Path

    from tocsin.core.site import Site
    from tocsin.shell import Shell

WANTED = {"do": "prove", "alarm": "high-cell", "by": "Ada", "for_ms": 30_000}


@dataclass
class Proved(Stage):
    """A shell whose steps are witnessed."""

    bench: Bench | None = field(default=None)

    def shell(self, packs: Any) -> Shell:
        made = super().shell(packs)
        made.witness = self.bench.held if self.bench else None
        return made


@dataclass
class Caller:
    reader: asyncio.StreamReader
    writer: asyncio.StreamWriter

    async def line(self) -> dict[str, Any]:
        told = await asyncio.wait_for(self.reader.readline(), 20)
        return json.loads(told or b"{}")  # type: ignore[no-any-return]

    async def until(self, kind: str) -> dict[str, Any]:
        while (told := await self.line()) and told.get("kind") != kind:
            pass
        return told

    def say(self, asked: object) -> None:
        self.writer.write(json.dumps(asked).encode() + b"\n")


@asynccontextmanager
async def running(folder: Path, site: Site = HUT) -> AsyncIterator[tuple[Proved, Any]]:
    """Run a slow shell; yield it and what calls it."""
    stage = Proved(site=site)
    stage.clock.speed = 20.0
    stage.bench = Bench(
        inbox=stage.inbox, site=stage.site, folder=folder, wall_ms=stage.clock.wall_ms
    )
    doors = {"prove": stage.bench.prove, "record": stage.bench.record}
    path = control.socket_path(folder)
    callers: list[Caller] = []

    async def call(asked: object) -> Caller:
        caller = Caller(*await asyncio.open_unix_connection(path))
        callers.append(caller)
        caller.say(asked)
        return caller

    deciding = asyncio.ensure_future(stage.run_until(10**9, left=stage.pack()))
    try:
        async with control.serve(path, stage.inbox, dict, doors):
            while not stage.pins.held or not stage.pins.level("charge"):  # noqa: ASYNC110 real time is all there is to wait by
                await asyncio.sleep(0.01)
            yield stage, call
            for caller in callers:
                caller.writer.close()
                with suppress(ConnectionError):
                    await caller.writer.wait_closed()
    finally:
        deciding.cancel()
        await asyncio.gather(deciding, return_exceptions=True)


def test_it_tells_the_crossing_the_pin_and_the_end(tmp_path: Path) -> None:
    async def main() -> None:
        async with running(tmp_path) as (stage, call):
            ada = await call(WANTED)
            begun = await ada.line()
            assert (begun["ok"], begun["virtual"], begun["live"]) == (True, 3.6, 3.3)
            assert (await ada.until("crossed"))["after_ms"] == 0
            pin = await ada.until("pin")
            assert (pin["output"], pin["energised"]) == ("charge", False)
            assert pin["after_ms"] == 0
            assert pin["proving"] is True
            assert not stage.pins.level("charge")
            ada.say({"do": "end"})
            ended = await ada.until("ended")
            assert ended["why"] == "whoever proves has ended it"
            assert await ada.line() == {}

    asyncio.run(main())


def test_it_tells_what_a_read_back_contact_shows(tmp_path: Path) -> None:
    contact = Input(name="charge-aux", role=InputRole.READ_BACK, output="charge")
    site = replace(HUT, inputs=(contact,))

    async def main() -> None:
        async with running(tmp_path, site) as (stage, call):
            await stage.inbox.put(partial(InputSeen, name="charge-aux", level=True))
            ada = await call(WANTED)
            await ada.until("pin")
            await stage.inbox.put(partial(InputSeen, name="charge-aux", level=False))
            told = await ada.until("input")
            assert (told["input"], told["active"]) == ("charge-aux", False)
            assert told["after_ms"] >= 0

    asyncio.run(main())


def test_a_caller_that_hangs_up_ends_its_step(tmp_path: Path) -> None:
    async def main() -> None:
        async with running(tmp_path) as (stage, call):
            ada = await call(WANTED)
            await ada.until("pin")
            ada.writer.close()
            async with asyncio.timeout(20):
                while not stage.pins.level("charge"):  # noqa: ASYNC110 watches
                    await asyncio.sleep(0.01)
            proofs = [f for f in stage.ears.facts if isinstance(f, ProofFact)]
            assert proofs[-1].text == "whoever proved has gone"

    asyncio.run(main())


def test_it_ends_by_itself_for_a_caller_who_only_waits(tmp_path: Path) -> None:
    async def main() -> None:
        async with running(tmp_path) as (_, call):
            ada = await call({**WANTED, "for_ms": 5_000})
            ended = await ada.until("ended")
            assert ended["why"] == "its time of 5 s is over"

    asyncio.run(main())


def test_one_proves_at_a_time_and_the_next_after(tmp_path: Path) -> None:
    async def main() -> None:
        async with running(tmp_path) as (_, call):
            ada = await call(WANTED)
            await ada.until("pin")
            ben = await call(WANTED)
            assert await ben.line() == {
                "ok": False,
                "why": "another proof test is going on",
            }
            ada.say({"do": "end"})
            await ada.until("ended")
            assert await ada.line() == {}
            ben = await call(WANTED)
            assert (await ben.line())["ok"] is True

    asyncio.run(main())


@pytest.mark.parametrize(
    ("asked", "why"),
    [
        ({"do": "prove"}, "say which alarm"),
        ({"do": "prove", "alarm": "high-cell", "for_ms": "long"}, "say which alarm"),
        ({"do": "prove", "alarm": "high-cell", "for_ms": 1e999}, "say which alarm"),
        ({"do": "prove", "alarm": "high-cell", "for_ms": 0}, "a step lasts"),
        ({"do": "prove", "alarm": "no-such", "for_ms": 9_000}, "there is no alarm"),
        ({**WANTED, "subject": "middle"}, "has no subject"),
    ],
)
def test_what_cannot_be_proved_is_answered_and_the_next_is_served(
    asked: dict[str, Any], why: str, tmp_path: Path
) -> None:
    async def main() -> None:
        async with running(tmp_path) as (_, call):
            ada = await call(asked)
            said = await ada.line()
            assert said["ok"] is False
            assert why in said["why"]
            ben = await call(WANTED)
            assert (await ben.line())["ok"] is True

    asyncio.run(main())
