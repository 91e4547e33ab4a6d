"""A short run of `tests.campaigns.page_requests`."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tests.campaigns.page_requests import campaign

if TYPE_CHECKING:
    from pathlib import Path


def test_odd_requests_break_nothing_and_do_nothing(tmp_path: Path) -> None:
    seen = campaign(tmp_path, 6)
    paths = {answer.split()[1] for answer in seen}
    assert {"/api/act", "/api/sign-in", "/api/plot", "/api/journal"} <= paths
