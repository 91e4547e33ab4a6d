from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import pytest

from prove_stage import strictly_parsed
from tocsin.page import past
from tocsin.prove import progress
from tocsin.prove.page import html
from tocsin.prove.records import (
    FOLDER,
    Record,
    RecordError,
    Result,
    Verdict,
    as_json,
    from_json,
    listed,
    newest,
    worst,
    write,
)
from tocsin.prove.session import DAY_MS, next_due_ms, summary

if TYPE_CHECKING:
    from pathlib import Path

ENDED_MS = 1_796_083_200_000  # 2026-12-01 00:00 UTC
PASS, FAIL, UNTESTED = Verdict.PASS, Verdict.FAIL, Verdict.UNTESTED


def result(pin: Verdict = PASS, effect: Verdict = PASS, **more: Any) -> Result:
    values = {"item": "horn by low-cell", "kind": "rule", "output": "horn"}
    return Result(**(values | more), pin_verdict=pin, effect_verdict=effect)


def record(*results: Result, **more: Any) -> Record:
    values: dict[str, Any] = {
        "site": "Fern Ridge hut",
        "site_file": "site.toml",
        "site_sha256": "ab" * 32,
        "software": "tocsin",
        "started_ms": ENDED_MS - 3_600_000,
        "ended_ms": ENDED_MS,
        "is_whole": True,
    }
    return Record(**(values | more), results=list(results or (result(),)))


@pytest.mark.parametrize(
    ("pin", "effect", "verdict"),
    [
        (PASS, PASS, PASS),
        (PASS, UNTESTED, UNTESTED),
        (UNTESTED, PASS, UNTESTED),
        (FAIL, PASS, FAIL),
        (UNTESTED, FAIL, FAIL),
    ],
)
def test_the_worse_of_pin_and_effect_counts(
    pin: Verdict, effect: Verdict, verdict: Verdict
) -> None:
    assert result(pin, effect).verdict is verdict


def test_a_retest_stands_for_the_line_and_what_was_found_stays() -> None:
    mended = result(FAIL, PASS, retest_verdict=PASS)
    assert (mended.verdict, mended.found) == (PASS, FAIL)


def test_nothing_tested_is_no_pass() -> None:
    empty = record()
    empty.results = []
    assert empty.verdict is UNTESTED
    assert worst(PASS, UNTESTED, FAIL) is FAIL


def test_a_record_comes_back_as_it_was_written(tmp_path: Path) -> None:
    made = record(result(FAIL, retest_verdict=PASS, measured_ms=412), witness="Bén")
    path, page = write(tmp_path, made, html(made))
    assert newest(tmp_path) == made
    assert from_json(json.loads(path.read_text("utf-8"))) == made
    assert page.with_suffix(".json") == path
    assert as_json(made)["verdict"] == "pass"


def test_records_are_never_overwritten(tmp_path: Path) -> None:
    paths = {write(tmp_path, record(), "one")[0] for _ in range(3)}
    assert len(paths) == 3
    assert [found for _, found in listed(tmp_path)] == [record()] * 3
    assert not list((tmp_path / FOLDER).glob(".*"))


def test_records_of_one_second_are_listed_as_they_were_written(tmp_path: Path) -> None:
    written = [write(tmp_path, record(), "one")[0] for _ in range(11)]
    assert [path for path, _ in listed(tmp_path)] == written


@pytest.mark.parametrize(
    "text",
    [
        "",
        "[]",
        "{}",
        '{"version": 1}',
        '{"version": 2, "results": []}',
        '{"version": 1, "results": [{"pin_verdict": "fine"}]}',
        '{"version": 1, "results": [7]}',
        "[" * 100_000,
        "\xff",
    ],
)
def test_a_damaged_record_is_said_and_an_older_one_counts(
    text: str, tmp_path: Path
) -> None:
    write(tmp_path, record(), "")
    (tmp_path / FOLDER / "proof-20991231-000000.json").write_text(text, "latin-1")
    assert newest(tmp_path) == record()
    assert isinstance(listed(tmp_path)[-1][1], str)


@pytest.mark.parametrize(
    ("ended_ms", "is_date"),
    [
        *((-1, False), (0, True), (1, True), (253_402_300_799_999, True)),
        *((253_402_300_800_000, False), (2**63, False), (10**400, False)),
    ],
)
def test_a_date_that_no_calendar_has_is_damage(
    ended_ms: int, tmp_path: Path, *, is_date: bool
) -> None:
    path, _ = write(tmp_path, record(), "")
    told = json.loads(path.read_text())
    path.write_text(json.dumps(told | {"ended_ms": ended_ms}))
    ((_, found),) = listed(tmp_path)
    assert isinstance(found, Record) is is_date
    (shown,) = past.records(tmp_path)
    assert (shown["trouble"] == "") is is_date


def test_a_rehearsal_counts_only_where_pins_are_simulated(tmp_path: Path) -> None:
    write(tmp_path, record(is_rehearsal=True), "")
    assert newest(tmp_path) is None
    assert newest(tmp_path, is_rehearsal=True) is not None


def test_a_folder_that_cannot_be_written_is_said(tmp_path: Path) -> None:
    (tmp_path / FOLDER).write_text("a file, not a folder")
    with pytest.raises(RecordError, match="does not take the record"):
        write(tmp_path, record(), "")


WEEK_MS = 7 * DAY_MS
EARLIER = record(next_due_ms=ENDED_MS + 100 * DAY_MS)
OVERDUE = record(next_due_ms=ENDED_MS - DAY_MS)


@pytest.mark.parametrize(
    ("made", "earlier", "due_ms"),
    [
        (record(), None, ENDED_MS + 365 * DAY_MS),
        (record(), OVERDUE, ENDED_MS + 365 * DAY_MS),
        (record(interval_days=90), None, ENDED_MS + 90 * DAY_MS),
        (record(is_whole=False), None, ENDED_MS + WEEK_MS),
        (record(is_whole=False), EARLIER, EARLIER.next_due_ms),
        (record(is_whole=False), OVERDUE, OVERDUE.next_due_ms),
        (record(result(effect=UNTESTED)), EARLIER, EARLIER.next_due_ms),
        (record(result(effect=FAIL)), EARLIER, ENDED_MS + WEEK_MS),
        (record(result(effect=FAIL)), OVERDUE, OVERDUE.next_due_ms),
    ],
)
def test_only_a_whole_test_that_passed_sets_a_new_date(
    made: Record, earlier: Record | None, due_ms: int
) -> None:
    assert next_due_ms(made, earlier) == due_ms


def test_the_page_says_all_that_was_written_and_escapes_it() -> None:
    made = record(
        result(
            FAIL,
            measured_ms=412,
            expected_ms=400,
            virtual=3.6,
            live=3.31,
            unit="V",
            deficiency="relay <sticks>",
            correction="relay changed",
            retest="pass",
            retest_verdict=PASS,
            seen='heard by "Ada" & Ben',
        ),
        result(kind="wire", item="charge, wire pulled", output="charge"),
        person="Ada <script>alert(1)</script>",
        qualification="fitter",
        witness="Ben",
        equipment="meter 4711",
        reason="commissioning",
        as_left="no virtual reading; overrides: none",
        next_due_ms=ENDED_MS + 365 * DAY_MS,
    )
    page = html(made)
    assert "<script>" not in page
    text = strictly_parsed(page)
    for words in (
        *("Fern Ridge hut", "ab" * 32, "commissioning", "fitter", "Ben", "meter 4711"),
        *("Ada <script>alert(1)</script>", "relay <sticks>", "relay changed"),
        *('heard by "Ada" & Ben', "0.41 s", "3.6 V", "live 3.31", "2027-12-01"),
        *("Signature", "Tested by", "Witnessed by", "charge, wire pulled"),
    ):
        assert words in text, words
    assert "REHEARSAL" not in text
    assert "REHEARSAL" in html(record(is_rehearsal=True))


def test_the_summary_counts() -> None:
    made = record(result(), result(effect=UNTESTED), next_due_ms=ENDED_MS)
    words = "2 tests: 1 pass, 1 untested, 0 fail; next due 2026-12-01"
    assert summary(made) == words


def test_an_unfinished_test_is_kept_and_forgotten(tmp_path: Path) -> None:
    assert progress.found(tmp_path) is None
    progress.save(tmp_path, record())
    assert progress.found(tmp_path) == record()
    progress.forget(tmp_path)
    assert progress.found(tmp_path) is None


@pytest.mark.parametrize("text", ["", "{", "{}", '{"version": 1}', "[]", "3"])
def test_an_unfinished_test_that_is_damaged_is_said_and_stays(
    text: str, tmp_path: Path
) -> None:
    path = tmp_path / progress.FILE
    path.write_text(text)
    with pytest.raises(RecordError, match="move it away"):
        progress.found(tmp_path)
    assert path.read_text() == text


def test_two_cannot_prove_one_site_at_once(tmp_path: Path) -> None:
    with (
        progress.alone(tmp_path),
        pytest.raises(RecordError, match="another"),
        progress.alone(tmp_path),
    ):
        pytest.fail("both are in")
