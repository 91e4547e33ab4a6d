"""Pins: pulls row for row, currents, coils."""

from __future__ import annotations

from dataclasses import replace

import pytest

from circuit_stated import without
from tocsin.core.circuit import Circuit, Driver, Flyback, Pull, Verdict
from tocsin.core.circuit.pins import (
    HEADER,
    PULLS,
    boots_high,
    judge_boot,
    judge_flyback,
    judge_pin,
    judge_rail,
)

FINE, DOUBTFUL, UNSAFE = Verdict.FINE, Verdict.DOUBTFUL, Verdict.UNSAFE
UNKNOWN = Verdict.UNKNOWN

PULL_TABLE = """\
0 UP    7 UP    14 down  21 down
1 UP    8 UP    15 down  22 down
2 UP    9 down  16 down  23 down
3 UP   10 down  17 down  24 down
4 UP   11 down  18 down  25 down
5 UP   12 down  19 down  26 down
6 UP   13 down  20 down  27 down
"""
"""Default pull at power-up: source of the raspi-gpio tool, BCM2835 and BCM2711."""


def test_the_pull_table_row_for_row() -> None:
    words = PULL_TABLE.split()
    table = {
        int(n): Pull(pull.lower())
        for n, pull in zip(words[::2], words[1::2], strict=True)
    }
    assert table == PULLS
    assert sorted(table) == list(range(28))


def test_every_line_has_its_own_place_on_the_header() -> None:
    """Raspberry Pi documentation, 40-pin header: the rest is supply and ground."""
    others = {1, 2, 4, 6, 9, 14, 17, 20, 25, 30, 34, 39}
    assert sorted(HEADER) == list(range(28))
    assert set(HEADER.values()) == set(range(1, 41)) - others
    assert (HEADER[17], HEADER[4], HEADER[21], HEADER[13]) == (11, 7, 40, 33)


CIRCUIT = Circuit(
    pin="GPIO17",
    pull=Pull.DOWN,
    driver=Driver.TRANSISTOR,
    coil_ma=70,
    flyback=Flyback.DIODE_ZENER,
)


@pytest.mark.parametrize("number", range(28))
@pytest.mark.parametrize("pull", list(Pull))
@pytest.mark.parametrize("is_active_low", [False, True])
def test_no_output_is_energised_at_boot(
    number: int,
    pull: Pull,
    is_active_low: bool,  # noqa: FBT001
) -> None:
    """What is fitted wins (10 kohm against 33 to 73), but not against the 1.8 kohm
    that stand on the board at GPIO2 and GPIO3."""
    pin = f"GPIO{number}"
    stated = replace(CIRCUIT, pin=pin, pull=pull, is_active_low=is_active_low)
    high = number <= 8 if pull is Pull.NONE or number in {2, 3} else pull is Pull.UP
    assert boots_high(pin, pull) is high
    verdict = judge_boot(stated).verdict
    assert (verdict is UNSAFE) is (high is not is_active_low)
    if verdict is FINE:
        assert (pull, is_active_low) == (Pull.DOWN, False)
        assert number not in {0, 1, 2, 3, 14, 15}


@pytest.mark.parametrize(
    ("number", "verdict"),
    [
        *((8, UNSAFE), (9, DOUBTFUL), (10, DOUBTFUL)),
        *((13, DOUBTFUL), (14, DOUBTFUL), (15, DOUBTFUL), (16, DOUBTFUL)),
    ],
)
def test_without_a_resistor_only_the_chip_holds_the_pin(
    number: int, verdict: Verdict
) -> None:
    stated = replace(CIRCUIT, pin=f"GPIO{number}", pull=Pull.NONE)
    assert judge_boot(stated).verdict is verdict


@pytest.mark.parametrize("gone", ["pin", "pull"])
def test_a_missing_figure_of_the_boot_is_asked_for(gone: str) -> None:
    found = judge_boot(without(CIRCUIT, gone))
    assert (found.verdict, found.change) == (UNKNOWN, f"say {gone}")


@pytest.mark.parametrize(
    ("current", "verdict"),
    [
        (7.99, FINE),
        (8, FINE),
        (8.01, DOUBTFUL),
        (15.99, DOUBTFUL),
        (16, DOUBTFUL),
        (16.01, UNSAFE),
    ],
)
def test_a_pin_gives_eight_milliamperes(current: float, verdict: Verdict) -> None:
    """Raspberry Pi documentation: 16 mA for the older chips, 8 for the newer."""
    stated = replace(CIRCUIT, driver=Driver.OPTO, input_ma=current)
    assert judge_pin(stated).verdict is verdict


def test_a_transistor_for_70_ma_takes_7_ma_of_the_pin() -> None:
    """A base current of a tenth: common practice, no source (3.5 to 7 mA for 70)."""
    assert dict(judge_pin(CIRCUIT).figures)["pin_ma"] == 7


@pytest.mark.parametrize("coil_ma", [1, 30, 160])
def test_a_coil_never_hangs_on_a_pin(coil_ma: float) -> None:
    stated = replace(CIRCUIT, driver=Driver.DIRECT, coil_ma=coil_ma)
    assert judge_pin(stated).verdict is UNSAFE


def test_an_opto_coupler_of_220_ohm_is_within_the_pin() -> None:
    """(3.3 - 1.2) V over 330 or 220 ohm, 6 to 10 mA: common practice, no source."""
    for ohm, verdict in ((330, FINE), (220, DOUBTFUL)):
        current = 1_000 * (3.3 - 1.2) / ohm
        stated = replace(CIRCUIT, driver=Driver.OPTO, input_ma=current)
        assert judge_pin(stated).verdict is verdict


@pytest.mark.parametrize(
    ("driver", "changes", "asked"),
    [
        (None, {}, "say driver"),
        (Driver.OPTO, {}, "say input_ma"),
        (Driver.RELAY_BOARD, {}, "say input_ma"),
        (Driver.TRANSISTOR, {"coil_ma": None}, "say input_ma"),
    ],
)
def test_a_missing_figure_of_the_pin_is_asked_for(
    driver: Driver | None, changes: dict[str, object], asked: str
) -> None:
    changes = {"input_ma": 5 if driver is None else None, **changes}
    found = judge_pin(replace(CIRCUIT, driver=driver, **changes))  # type: ignore[arg-type]
    assert (found.verdict, found.change) == (UNKNOWN, asked)


@pytest.mark.parametrize(
    ("last", "verdict"), [(7.99, FINE), (8.0, FINE), (8.01, UNSAFE)]
)
def test_all_pins_together_stay_below_fifty(last: float, verdict: Verdict) -> None:
    """Raspberry Pi documentation: 3.3 V made for 3 mA on each of 17 pins."""
    named = [(str(n), replace(CIRCUIT, input_ma=7.0)) for n in range(6)]
    found = judge_rail([*named, ("last", replace(CIRCUIT, input_ma=last))])
    assert found is not None
    assert found.verdict is verdict


def test_17_pins_of_16_ma_are_far_too_much() -> None:
    """17 x 16 = 272 mA: Raspberry Pi documentation."""
    found = judge_rail([(str(n), replace(CIRCUIT, input_ma=16)) for n in range(17)])
    assert found is not None
    assert found.verdict is UNSAFE
    assert dict(found.figures)["total_ma"] == 272


def test_a_pin_that_is_not_stated_leaves_the_rail_unknown() -> None:
    found = judge_rail([("a", CIRCUIT), ("b", None)])
    assert found is not None
    assert (found.verdict, found.change) == (UNKNOWN, "say input_ma of b")
    assert judge_rail([("a", None), ("b", None)]) is None


def test_what_is_known_to_be_too_much_is_unsafe_whatever_the_rest() -> None:
    named = [(str(n), replace(CIRCUIT, input_ma=16)) for n in range(4)]
    found = judge_rail([*named, ("b", None)])
    assert found is not None
    assert found.verdict is UNSAFE


@pytest.mark.parametrize(
    ("fitted", "volts", "verdict"),
    [
        (None, 12, UNKNOWN),
        (Flyback.NONE, 12, UNSAFE),
        (Flyback.DIODE, 29.9, FINE),
        (Flyback.DIODE, 30, FINE),
        (Flyback.DIODE, 30.1, DOUBTFUL),
        (Flyback.DIODE_ZENER, 60, FINE),
    ],
)
def test_a_coil_needs_suppression_that_lets_go_fast(
    fitted: Flyback | None, volts: float, verdict: Verdict
) -> None:
    found = judge_flyback(replace(CIRCUIT, flyback=fitted, supply_high_v=volts))
    assert found is not None
    assert found.verdict is verdict


def test_without_a_relay_there_is_no_coil() -> None:
    assert judge_flyback(replace(CIRCUIT, has_relay=False)) is None
