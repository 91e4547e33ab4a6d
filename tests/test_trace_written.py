"""What is written as a trace is read as the same samples."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tocsin.core.model import Sample
from tocsin.trace import header, parse_trace, written

SAMPLES = st.builds(
    Sample,
    cells_mv=st.lists(st.integers(0, 5_000), min_size=1, max_size=8).map(tuple),
    temps_dc=st.lists(st.integers(-600, 1_200), max_size=4).map(tuple),
    current_ma=st.none() | st.integers(-3_000_000, 3_000_000),
    soc_permille=st.none() | st.integers(0, 1_000),
)


@given(SAMPLES, st.integers(0, 10**9))
def test_a_sample_comes_back_as_it_was(sample: Sample, at_ms: int) -> None:
    cells, temps = len(sample.cells_mv), len(sample.temps_dc)
    lines = [header(cells, temps), written(at_ms, "left", sample, cells, temps)]
    (row,) = parse_trace(lines, "night.csv")
    assert row.at_ms == at_ms
    assert row.sample == sample


def test_fewer_temperatures_than_columns_leave_fields_empty() -> None:
    sample = Sample(cells_mv=(3_300,), temps_dc=(200,))
    line = written(1_500, "left", sample, cells=1, temps=3)
    assert line == "1.500,left,,,3.300,20.0,,"


@pytest.mark.parametrize(("cells", "temps"), [(1, 1), (2, 0)])
def test_a_sample_wider_than_its_header_is_refused(cells: int, temps: int) -> None:
    sample = Sample(cells_mv=(3_300, 3_300), temps_dc=(200,))
    with pytest.raises(ValueError, match="under a header"):
        written(0, "left", sample, cells, temps)
