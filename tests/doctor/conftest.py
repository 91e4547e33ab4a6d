"""What every test of the looks begins with."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from doctor_stage import Faked

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def faked(tmp_path: Path) -> Faked:
    return Faked(tmp_path / "root")
