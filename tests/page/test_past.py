"""Test records as the page lists them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from page_records import kept
from tocsin.page.asked import NoError
from tocsin.page.past import MOST_RECORDS, record_html, records
from tocsin.prove.records import Verdict

if TYPE_CHECKING:
    from pathlib import Path


def test_without_a_test_there_is_no_record(tmp_path: Path) -> None:
    assert records(tmp_path) == []


def test_records_come_newest_first_with_what_came_of_them(tmp_path: Path) -> None:
    kept(tmp_path, 20_000, Verdict.PASS)
    kept(tmp_path, 20_100, Verdict.FAIL)
    new, old = records(tmp_path)
    assert (new["verdict"], new["counts"]) == (
        "fail",
        {"fail": 1, "untested": 0, "pass": 0},
    )
    assert (old["ended"], old["next_due"]) == (
        "2024-10-04T00:00:00.000Z",
        "2025-10-04T00:00:00.000Z",
    )


def test_a_record_is_a_page_to_read_and_print(tmp_path: Path) -> None:
    kept(tmp_path, 20_000, Verdict.PASS)
    (one,) = records(tmp_path)
    assert "the warden" in record_html(tmp_path, one["name"])


@pytest.mark.parametrize("name", ["", "proof-1", "../site", "proof-20991231-000000"])
def test_a_record_that_cannot_be_read_is_refused(tmp_path: Path, name: str) -> None:
    kept(tmp_path, 20_000, Verdict.PASS)
    (tmp_path / "records" / "proof-20991231-000000.json").write_text("{")
    with pytest.raises(NoError) as caught:
        record_html(tmp_path, name)
    assert caught.value.status == 404


def test_a_damaged_record_is_there_with_its_reason(tmp_path: Path) -> None:
    kept(tmp_path, 20_000, Verdict.PASS)
    (tmp_path / "records" / "proof-20991231-000000.json").write_text("{")
    damaged, sound = records(tmp_path)
    assert (damaged["trouble"], sound["trouble"]) == ("it is damaged", "")


def test_no_more_than_the_newest_are_listed(tmp_path: Path) -> None:
    for day in range(MOST_RECORDS + 1):
        kept(tmp_path, 20_000 + day, Verdict.PASS)
    listed = records(tmp_path)
    assert len(listed) == MOST_RECORDS
    assert listed[-1]["name"].startswith("proof-20241005")
