from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tocsin.trace import Row, TraceError, parse_trace, read_trace

if TYPE_CHECKING:
    from pathlib import Path

HEAD = "t_s,pack,current_a,soc_pct,cell_v_1,cell_v_2,temp_c_1"


def rows(*lines: str, head: str = HEAD) -> list[Row]:
    return list(parse_trace([f"{line}\n" for line in (head, *lines)], "night.csv"))


def test_a_row_becomes_integers_in_named_units() -> None:
    (row,) = rows("12.5,left,-8.25,64.3,3.301,3.2995,-4.5")
    assert (row.at_ms, row.pack, row.missing) == (12_500, "left", "")
    assert row.sample is not None
    assert row.sample.cells_mv == (3_301, 3_300)
    assert row.sample.temps_dc == (-45,)
    assert row.sample.current_ma == -8_250
    assert row.sample.soc_permille == 643


def test_what_was_never_said_is_absent_not_zero() -> None:
    (row,) = rows("0,left,,,3.3,3.3,")
    assert row.sample is not None
    assert row.sample.current_ma is None
    assert row.sample.soc_permille is None
    assert row.sample.temps_dc == ()


def test_a_cell_that_was_not_read_makes_the_whole_row_a_failed_reading() -> None:
    (row,) = rows("0,left,1,50,3.3,,20")
    assert row.sample is None
    assert row.missing == "cell 2 was not read"


def test_a_sensor_that_spoke_before_and_is_silent_now_is_a_failed_reading() -> None:
    _, row = rows("0,left,1,50,3.3,3.3,20", "1,left,1,50,3.3,3.3,")
    assert row.sample is None
    assert row.missing == "temperature 1 was not read"


def test_a_row_of_nothing_is_a_failed_reading() -> None:
    (row,) = rows("0,left,,,,,")
    assert row.missing == "nothing was read"


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        (("x,left,1,50,3.3,3.3,20",), r"night.csv:2: t_s 'x' is not a number"),
        (("0,left,1,50,3.3,nan,20",), r"night.csv:2: cell 'nan' is not a number"),
        (("0,left,inf,50,3.3,3.3,20",), r"night.csv:2: current_a 'inf'"),
        (("0,left,1,50,3.3,3.3",), r"night.csv:2: 6 fields, expected 7"),
        (
            ("5,left,1,50,3.3,3.3,20", "", "4,left,1,50,3.3,3.3,20"),
            r"night.csv:4: t_s 4 is before the row above",
        ),
    ],
)
def test_a_row_that_is_wrong_is_named_with_file_and_line(
    lines: tuple[str, ...], said: str
) -> None:
    with pytest.raises(TraceError, match=said):
        rows(*lines)


@pytest.mark.parametrize(
    ("head", "said"),
    [
        ("", "expected t_s"),
        ("t_s,pack,current_a", "column 4 is nothing, expected soc_pct"),
        (HEAD.replace("cell_v_2", "cell_v_3"), "column 6 is 'cell_v_3'"),
        (HEAD.replace("temp_c_1", "temperature"), "column 7 is 'temperature'"),
        (HEAD.replace("pack", "battery"), "column 2 is 'battery', expected pack"),
    ],
)
def test_a_header_that_is_wrong_says_which_column(head: str, said: str) -> None:
    with pytest.raises(TraceError, match=said):
        rows(head=head)


def test_an_empty_file_and_no_file_are_told_apart(tmp_path: Path) -> None:
    empty = tmp_path / "empty.csv"
    empty.write_text("")
    with pytest.raises(TraceError, match=r"empty\.csv:1: the trace is empty"):
        list(read_trace(empty))
    with pytest.raises(TraceError, match="No such file"):
        list(read_trace(tmp_path / "none.csv"))


def test_a_byte_that_is_no_text_is_told_with_its_line(tmp_path: Path) -> None:
    path = tmp_path / "night.csv"
    good = b"0,left,1,50,3.3,3.3,20\n"
    path.write_bytes(HEAD.encode() + b"\n" + good * 4_000 + b"1,\xff\n")
    with pytest.raises(TraceError, match=r"night\.csv:4002: is not UTF-8"):
        list(read_trace(path))


@pytest.mark.parametrize(("digits", "is_cut"), [(59, False), (60, False), (61, True)])
def test_a_field_that_is_long_is_not_repeated_whole(
    digits: int, *, is_cut: bool
) -> None:
    with pytest.raises(TraceError) as caught:
        rows(f"0,left,1,50,{'9' * digits},3.3,20")
    assert ("9" * min(digits, 60) + "'") in str(caught.value)
    assert ("..." in str(caught.value)) is is_cut


def test_a_quote_that_is_never_closed_is_told_not_raised(tmp_path: Path) -> None:
    """The reader takes all that follows for one field, and refuses so long a one."""
    path = tmp_path / "night.csv"
    good = "0,left,1,50,3.3,3.3,20\n"
    path.write_text(f'{HEAD}\n{good}0,"left,{good * 7_000}')
    with pytest.raises(TraceError, match=r"night\.csv:\d+: field larger"):
        list(read_trace(path))


def test_a_file_that_is_no_text_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "image.csv"
    path.write_bytes(b"\xff\xd8\xff\xe0" * 50)
    with pytest.raises(TraceError, match=r"image\.csv"):
        list(read_trace(path))


def test_a_mark_at_the_start_of_the_file_does_not_matter(tmp_path: Path) -> None:
    path = tmp_path / "spreadsheet.csv"
    path.write_text(f"{HEAD}\r\n0,left,1,50,3.3,3.3,20\r\n", encoding="utf-8-sig")
    assert [row.pack for row in read_trace(path)] == ["left"]


@given(
    volts=st.lists(st.integers(0, 5_000), min_size=1, max_size=20),
    amps=st.integers(-500_000, 500_000),
)
def test_what_is_written_is_what_is_read(volts: list[int], amps: int) -> None:
    head = "t_s,pack,current_a,soc_pct," + ",".join(
        f"cell_v_{n}" for n in range(1, len(volts) + 1)
    )
    cells = ",".join(f"{mv / 1000:.3f}" for mv in volts)
    (row,) = rows(f"0,left,{amps / 1000:.3f},50.0,{cells}", head=head)
    assert row.sample is not None
    assert row.sample.cells_mv == tuple(volts)
    assert row.sample.current_ma == amps
