"""What every test of the Modbus drivers begins with."""

from __future__ import annotations

import pytest

from tocsin_drivers.modbus import link


@pytest.fixture(autouse=True)
def no_line_of_an_earlier_test() -> None:
    """Forget lines that a traceback may still hold: ptys get the same name again."""
    link._LINES.clear()
