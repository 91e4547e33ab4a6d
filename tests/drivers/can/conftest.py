"""Stub buses for every test of the link."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from can_stage import Garage
from tocsin_drivers.can import link as can_link

if TYPE_CHECKING:
    from collections.abc import Iterator


@pytest.fixture
def garage(monkeypatch: pytest.MonkeyPatch) -> Iterator[Garage]:
    monkeypatch.setattr(can_link, "BACKOFF_S", (0.01, 0.02))
    made = Garage(monkeypatch)
    yield made
    for bus in made.built:
        bus.shutdown()
