"""A short run of the fuzz campaign; `python tests/page/fuzz.py` is the long one."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from fuzz import campaign


def test_odd_requests_break_nothing_and_do_nothing(tmp_path: Path) -> None:
    seen = campaign(tmp_path, 6)
    paths = {answer.split()[1] for answer in seen}
    assert {"/api/act", "/api/sign-in", "/api/plot", "/api/journal"} <= paths
