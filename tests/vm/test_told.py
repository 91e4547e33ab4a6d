"""What runs inside the machine, tried outside it."""

from __future__ import annotations

import asyncio
import json
from typing import TYPE_CHECKING, Any

import pytest
from tests.vm.durable import Said, examined, row_digest
from tests.vm.durable import digest as outside
from tests.vm.guest import bank, told
from tests.vm.parts import serial
from tests.vm.test_durable import SITE

from journal_stage import Ears, Stamps, note, until
from simbus_wire import over_rtu, read
from tocsin import journal

if TYPE_CHECKING:
    from pathlib import Path

SUNSPEC_MARK = [0x5375, 0x6E53]
"""The SunSpec Information Model's marker at register 40000: "SunS"."""


def test_a_row_is_named_alike_by_who_reports_and_by_who_looks(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    said: list[str] = []
    monkeypatch.setattr(told, "say", lambda *lines: said.extend(lines))
    ears = Ears()

    async def write() -> None:
        async with told.ToldJournal(
            tmp_path,
            stamps=Stamps(),
            on_written=ears.on_written,
            on_trouble=ears.troubles.append,
        ) as made:
            made.tell([note(n) for n in range(5)])
            await until(lambda: len(ears.durable) == 5)

    asyncio.run(write())
    assert said == [f"row {row_digest(row)}" for row in journal.read(tmp_path)]
    assert len(said) == 5
    assert told.digest("text") == outside("text")


def test_what_a_run_finds_is_a_line_that_the_outside_reads(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(told, "FOLDER", tmp_path)
    heard = Said()
    heard.hear(f"look {json.dumps(told.look())}\n".encode())
    assert heard.looks == [{}]


def test_an_empty_disk_owes_nothing_and_is_not_damaged(tmp_path: Path) -> None:
    nothing = Said()
    left = examined(tmp_path, SITE, nothing, nothing.owed())
    assert (left.damage, left.lost_rows, left.older_files) == ((), 0, 0)


@pytest.mark.parametrize(
    ("wish", "field", "value"),
    [
        ({"temp_dc": 20}, "temps_dc", 20),
        ({"cell_mv": 3_660}, "cells_mv", 3_660),
    ],
)
def test_a_pack_is_as_it_is_wished_and_the_other_stays_as_it_was(
    wish: dict[str, Any], field: str, value: int, tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    path = tmp_path / "bank.json"
    path.write_text(json.dumps({"right": wish}))
    monkeypatch.setattr(bank, "WISHES", path)
    hut = bank.Hut()

    async def readings() -> tuple[Any, Any]:
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(0.01):
                await hut.obey()
        return hut.reading("left"), hut.reading("right")

    left, right = asyncio.run(readings())
    assert set(getattr(right, field)) == {value}
    assert set(getattr(left, field)) != {value}
    assert right.voltage_mv == sum(right.cells_mv)


def test_the_pack_behind_the_adapter_answers_on_its_pty() -> None:
    async def asked(path: str) -> list[int]:
        async with over_rtu(path) as client:
            return await read(client, 40_000, 2, unit=serial.UNIT)

    with serial.served() as pty:
        assert asyncio.run(asked(pty)) == SUNSPEC_MARK
