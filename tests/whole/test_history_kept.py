"""The daemon keeps a history, and does its work where it cannot."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

from tocsin.core.events import AlarmFact
from tocsin.history import reader
from tocsin.journal import read
from whole_stage import Whole, daemon, served

if TYPE_CHECKING:
    from pathlib import Path


def lived(folder: Path, more: str = "") -> Whole:
    async def main() -> Whole:
        async with served(folder) as whole, daemon(whole, more) as serving:
            await whole.until(30, serving)
            return whole

    return asyncio.run(main())


def test_every_reading_of_both_packs_is_kept(tmp_path: Path) -> None:
    whole = lived(tmp_path)
    found = list(reader.samples(tmp_path / "journal", since_ms=0, until_ms=2**60))
    for name in ("left", "right"):
        mine = [one for one in found if one.pack == name]
        assert len(mine) >= 28
        cells = {tuple(one.values[f"cell/{n}"] for n in range(1, 17)) for one in mine}
        assert cells == {whole.readings[name].cells_mv}
    limits = reader.limits(tmp_path / "journal", found[-1].at_ms) or {}
    assert limits["sha256"] == whole.setup.sha256


def test_a_history_that_cannot_be_kept_is_an_alarm_and_nothing_else(
    tmp_path: Path,
) -> None:
    (tmp_path / "journal" / "history.db").mkdir(parents=True)
    whole = lived(tmp_path)
    raised = [f for f in whole.watcher.facts if isinstance(f, AlarmFact)]
    (one,) = [f for f in raised if f.subject == "history"]
    assert (one.alarm, one.state) == ("daemon-trouble", "unacknowledged")
    assert "history.db" in one.message
    assert whole.level("charge"), "and the permit stays"
    assert len(list(read(tmp_path / "journal"))) >= len(whole.watcher.facts)


def test_none_is_kept_where_none_is_wanted(tmp_path: Path) -> None:
    lived(tmp_path, "[history]\nenabled = false\n")
    assert not (tmp_path / "journal" / "history.db").exists()
