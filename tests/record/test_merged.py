"""A recording holds what several sources come to, so a replay needs none of them."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, Any

import pytest

from core_builders import sample
from core_mixed import extra, mixed
from shell_stage import Packs, failing_between, until
from tocsin.clock import SteppedClock
from tocsin.core.model import Sample
from tocsin.ports import DriverError
from tocsin.record import Recording, Tape, record
from tocsin.record.merged import Merged
from tocsin.trace import read_trace

if TYPE_CHECKING:
    from pathlib import Path


def test_a_row_holds_the_current_that_a_pack_is_lent() -> None:
    merged = Merged(mixed())
    assert merged.take(0, "left", sample(current_ma=-30_000)) == (
        sample(current_ma=-30_000)
    )
    assert merged.take(0, "shunt", Sample(current_ma=-50_000)) == ""
    known = merged.take(500, "right", sample(current_ma=None))
    assert known == sample(current_ma=-20_000)


@pytest.mark.parametrize(
    ("age_ms", "current_ma"), [(9_999, -25_000), (10_000, None), (10_001, None)]
)
def test_a_row_holds_nothing_that_was_stale(
    age_ms: int, current_ma: int | None
) -> None:
    merged = Merged(mixed())
    merged.take(0, "left", sample(current_ma=None))
    merged.take(0, "shunt", Sample(current_ma=-50_000))
    known = merged.take(age_ms, "right", sample(current_ma=None))
    assert isinstance(known, Sample)
    assert known.current_ma == current_ma


def test_what_a_source_may_not_say_is_refused_with_its_reason() -> None:
    assert Merged(mixed()).take(0, "shunt", Sample()) == "it says no current"


def test_a_shunt_is_recorded_in_the_rows_of_the_packs_and_missed_aloud(
    tmp_path: Path,
) -> None:
    of = mixed(extra("shunt"), extra("spare"))
    scripts: dict[str, Any] = {
        "left": lambda _: sample(current_ma=-30_000),
        "right": lambda _: sample(current_ma=None),
        "shunt": lambda _: Sample(current_ma=-50_000),
        "spare": failing_between(0, 60_000),
    }

    async def main() -> Recording:
        clock = SteppedClock(speed=1e9, start_wall_ms=0)
        packs = {name: Packs(clock, script).open for name, script in scripts.items()}
        with Tape(tmp_path / "night.csv") as tape:
            recording = Recording(
                tape, {"left": None, "right": None}, beside={"shunt": "", "spare": ""}
            )
            work = record(recording, packs, clock=clock, poll_ms=1_000, site=of)
            await until(clock, 8_000, work)
        return recording

    recording = asyncio.run(main())
    assert recording.tape is not None
    rows = list(read_trace(recording.tape.path))
    assert {row.pack for row in rows} == {"left", "right"}
    last = [row.sample for row in rows if row.pack == "right"][-1]
    assert last is not None
    assert last.current_ma == -20_000
    assert recording.beside["shunt"] == ""
    assert recording.beside["spare"]


def test_a_driver_s_error_of_a_shunt_does_not_end_a_recording() -> None:
    recording = Recording(None, {"left": None}, beside={"shunt": ""})
    recording.fail("shunt", str(DriverError("no answer")))
    assert recording.beside == {"shunt": "no answer"}
