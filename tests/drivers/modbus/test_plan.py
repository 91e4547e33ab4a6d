"""Merging wanted registers into requests."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tocsin.ports import DriverError
from tocsin.registers import Point, PointRole, RegisterMap, RegisterType
from tocsin_drivers.modbus.dialogue import Ask
from tocsin_drivers.modbus.plan import Span, plan, spans

SPANS = st.lists(
    st.builds(
        Span, st.sampled_from((3, 4)), st.integers(0, 600), st.sampled_from((1, 2))
    ),
    min_size=1,
    max_size=60,
)


def registers(function: int, address: int, count: int) -> set[tuple[int, int]]:
    return {(function, address + i) for i in range(count)}


@given(SPANS, st.integers(64, 125), st.integers(0, 30))
def test_every_wanted_register_is_in_exactly_one_request(
    wanted: list[Span], most: int, max_gap: int
) -> None:
    asks = plan(wanted, most=most, max_gap=max_gap)
    needed = set().union(*(registers(s.function, s.address, s.count) for s in wanted))
    read = [registers(a.function, a.address, a.count) for a in asks]
    for register in needed:
        assert sum(register in part for part in read) == 1
    for span in wanted:  # no value is split between two
        whole = registers(span.function, span.address, span.count)
        assert any(whole <= part for part in read)
    for ask, part in zip(asks, read, strict=True):
        assert ask.count <= most
        inside = sorted(address for _, address in part & needed)
        assert (inside[0], inside[-1]) == (ask.address, ask.end - 1)
        assert all(b - a - 1 <= max_gap for a, b in pairwise(inside))


@given(st.lists(st.integers(0, 40), min_size=1, max_size=9), st.integers(1, 6))
def test_no_other_cut_needs_fewer_requests(addresses: list[int], most: int) -> None:
    """Against every way of cutting the sorted registers."""
    wanted = sorted(set(addresses))
    fewest = len(wanted)
    for cuts in range(2 ** (len(wanted) - 1)):
        groups = [[wanted[0]]]
        for i, address in enumerate(wanted[1:]):
            if cuts >> i & 1:
                groups.append([address])
            else:
                groups[-1].append(address)
        if all(group[-1] - group[0] < most for group in groups):
            fewest = min(fewest, len(groups))
    asks = plan([Span(3, a, 1) for a in wanted], most=most, max_gap=100)
    assert len(asks) == fewest


@pytest.mark.parametrize(("gap", "requests"), [(7, 1), (8, 1), (9, 2)])
def test_a_gap_up_to_the_limit_is_read_over(gap: int, requests: int) -> None:
    asks = plan([Span(3, 0, 1), Span(3, 1 + gap, 1)], most=125, max_gap=8)
    assert len(asks) == requests


@pytest.mark.parametrize(("count", "requests"), [(124, 1), (125, 1), (126, 2)])
def test_a_request_holds_125_registers(count: int, requests: int) -> None:
    """MODBUS Application Protocol V1.1b3, 6.3: quantity 1 to 125 (0x7D)."""
    asks = plan([Span(3, i, 1) for i in range(count)], most=125, max_gap=0)
    assert len(asks) == requests


def test_functions_are_never_mixed() -> None:
    asks = plan([Span(3, 0, 1), Span(4, 1, 1)], most=125, max_gap=8)
    assert asks == (Ask(0, 1, 3), Ask(1, 1, 4))


def test_values_that_overlap_are_read_once() -> None:
    asks = plan([Span(3, 0, 2), Span(3, 1, 2), Span(3, 0, 2)], most=125, max_gap=0)
    assert asks == (Ask(0, 3),)
    with pytest.raises(DriverError, match="need more than 125 registers"):
        plan([Span(3, i, 2) for i in range(200)], most=125, max_gap=0)


def test_a_range_wants_its_values_and_not_what_lies_between() -> None:
    cells = Point(
        role=PointRole.CELL, address=10, count=3, step=4, type=RegisterType.U32
    )
    wanted = spans(RegisterMap(points=(cells,)))
    assert wanted == (Span(3, 10, 2), Span(3, 14, 2), Span(3, 18, 2))
