"""One server for all tests of a fleet; each test has a database of its own."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

import pytest

import postgres

if TYPE_CHECKING:
    from collections.abc import Iterator

NUMBERS = itertools.count(1)


@pytest.fixture(scope="session")
def server() -> Iterator[postgres.Server]:
    with postgres.served() as made:
        yield made


@pytest.fixture
def database(server: postgres.Server) -> str:
    """Return the name of an empty database."""
    name = f"fleet-{next(NUMBERS)}"
    server.create(name)
    return name
