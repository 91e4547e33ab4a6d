"""The estimate of failure on demand against worked examples."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tocsin.core.circuit import Reliability

YEAR_H = 8_760

EXAMPLES = [
    # failures an hour, test interval in years, coverage, life in years, PFDavg
    (1e-6, 1, 1.0, 15, "4.38e-03"),
    (1e-6, 0.25, 1.0, 15, "1.1e-03"),
    (2e-6, 1, 0.55, 15, "6.4e-02"),
    (2e-6, 1, 0.95, 15, "1.49e-02"),
    (5e-6, 1, 0.9, 10, "4.2e-02"),
    (5e-6, 1 / 12, 0.9, 10, "2.4e-02"),
]
"""C lambda T / 2 + (1 - C) lambda L / 2: IEC 61508-6 in its simplest form, worked out
by hand."""


def chain(rate: float, years: float, coverage: float, life: float) -> Reliability:
    return Reliability(
        parts=(("all", rate),),
        proof_test_h=years * YEAR_H,
        coverage=coverage,
        life_h=life * YEAR_H,
    )


@pytest.mark.parametrize(("rate", "years", "coverage", "life", "pfd"), EXAMPLES)
def test_worked_examples(
    rate: float, years: float, coverage: float, life: float, pfd: str
) -> None:
    decimals = len(pfd.split("e", maxsplit=1)[0].partition(".")[2])
    said = chain(rate, years, coverage, life).pfd_avg
    assert f"{said:.{decimals}e}" == pfd


@pytest.mark.parametrize(("coverage", "printed"), [(0.55, 1.04e-2), (0.95, 2.06e-3)])
def test_a_published_page_is_wrong(coverage: float, printed: float) -> None:
    """A page of the trade prints these for 2e-6/h, a year and 15 years; by its own
    formula they are 6.4e-2 and 1.49e-2."""
    assert chain(2e-6, 1, coverage, 15).pfd_avg > 5 * printed


def test_just_before_a_test_it_is_twice_the_mean() -> None:
    one = chain(1e-6, 1, 1, 15)
    assert one.pfd_end == pytest.approx(2 * one.pfd_avg)


def test_parts_add_up_and_the_weakest_is_named() -> None:
    whole = Reliability(
        parts=(("relay", 3e-7), ("horn", 3e-6), ("wiring", 1e-7)),
        proof_test_h=YEAR_H,
        coverage=1,
        life_h=YEAR_H,
    )
    assert whole.rate_h == pytest.approx(3.4e-6)
    assert whole.weakest == "horn"


@given(
    rate=st.floats(0, 1),
    years=st.floats(1e-3, 100),
    coverage=st.floats(0, 1),
    life=st.floats(1e-3, 100),
)
def test_it_is_a_probability(
    rate: float, years: float, coverage: float, life: float
) -> None:
    said = chain(rate, years, coverage, life)
    assert 0 <= said.pfd_avg <= said.pfd_end <= 1
