"""SunSpec without a socket: finding, walking, self-checking, and what is said.

Layouts and event bits: the SunSpec Alliance's model definitions 802 to 805.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from modbus_device import (
    ABSENT,
    CELLS,
    NO_SCALE,
    Model,
    battery,
    common,
    extremes,
    image,
    lead,
    model,
    module,
)
from modbus_device import read_battery as read
from tocsin.ports import DriverError
from tocsin_drivers.modbus.sunspec import BASES, SunSpecReader, walk
from tocsin_drivers.modbus.sunspec_models import Place

if TYPE_CHECKING:
    from tocsin_drivers.modbus.dialogue import Ask

# ---- finding and walking ---------------------------------------------------------


@pytest.mark.parametrize("base", BASES)
def test_the_marker_is_found_at_each_published_base(base: int) -> None:
    registers = image([common(), battery(), module(CELLS)], base)
    assert lead(SunSpecReader(cells=16).reading(), registers).cells_mv == CELLS


def test_the_bases_are_tried_in_order_and_a_configured_one_alone() -> None:
    log: list[Ask] = []
    with pytest.raises(DriverError, match=r"40000: exception 02; 50000.*; 0: exc"):
        lead(SunSpecReader(cells=16).opening(), {}, log)
    assert [ask.address for ask in log] == [40_000, 50_000, 0]
    log.clear()
    with pytest.raises(DriverError, match="no SunS marker"):
        lead(SunSpecReader(cells=16, base=0).opening(), {}, log)
    assert [ask.address for ask in log] == [0]


def test_an_end_model_without_length_ends_the_chain() -> None:
    models = [common(), battery(), module(CELLS)]
    registers = image(models, with_last_length=False)
    assert lead(SunSpecReader(cells=16).reading(), registers).cells_mv == CELLS


def test_unknown_models_are_skipped_by_their_length() -> None:
    strange = [model(64_123, 7, {}), model(120, 26, {}), model(65_000, 0, {})]
    assert read(*strange, battery(), strange[0], module(CELLS)).cells_mv == CELLS


def test_a_common_model_without_its_pad_is_accepted() -> None:
    number, body = common()
    registers = image([(number, body[:65]), battery(), module(CELLS)])
    assert lead(SunSpecReader(cells=16).reading(), registers).cells_mv == CELLS


@pytest.mark.parametrize(
    ("models", "text"),
    [
        ([battery()], "the first model is 802, not 1"),
        ([], "the chain of models is empty"),
        ([common()], "no battery model"),
        ([common(), battery(), battery()], "2 models 802 in one unit"),
        ([common(), (805, [0] * 43)], "a length of 43 fits not"),
        ([common(), (802, [0] * 61)], "a length of 61 fits not"),
    ],
)
def test_a_chain_that_cannot_be_is_named(models: list[Model], text: str) -> None:
    with pytest.raises(DriverError, match=text):
        lead(SunSpecReader(cells=16).reading(), image(models))


def test_a_chain_without_end_is_left() -> None:
    registers = dict.fromkeys(range(65_536), 0) | {40_000: 0x5375, 40_001: 0x6E53}
    registers[40_002] = 1
    with pytest.raises(DriverError, match="has no end"):
        lead(walk((40_000,)), registers)


def test_a_chain_that_breaks_off_is_an_error() -> None:
    registers = image([common(), battery()])
    del registers[max(registers)]
    del registers[max(registers)]
    with pytest.raises(DriverError, match="exception 02"):
        lead(walk((40_000,)), registers)


@pytest.mark.parametrize(
    ("place", "counts"),
    [
        (Place(0, 802, 62), [64]),
        (Place(0, 804, 46 + 16 * 9), [48]),
        (Place(0, 805, 42 + 4 * 20), [124]),
        (Place(0, 805, 42 + 4 * 21), [124, 4]),
        (Place(0, 805, 42 + 4 * 52), [124, 124, 4]),
        (Place(0, 803, 26 + 32 * 3), [124]),
        (Place(0, 803, 26 + 32 * 4), [124, 32]),
    ],
)
def test_no_read_is_longer_than_125_or_splits_a_cell(
    place: Place, counts: list[int]
) -> None:
    assert [count for _, count in place.reads()] == counts
    assert [at for at, _ in place.reads()] == [
        sum(counts[:i]) for i in range(len(counts))
    ]


def test_every_model_is_read_from_its_id_register() -> None:
    registers = image([common(), battery(), module(CELLS)])
    reader = SunSpecReader(cells=16)
    lead(reader.opening(), registers)
    log: list[Ask] = []
    lead(reader.reading(), registers, log)
    assert [registers[ask.address] for ask in log] == [802, 805]


def test_a_map_that_moved_is_walked_again() -> None:
    reader = SunSpecReader(cells=16)
    lead(reader.reading(), image([common(), battery(), module(CELLS)]))
    moved = image([common(), model(120, 26, {}), battery(), module(CELLS)])
    assert lead(reader.reading(), moved).cells_mv == CELLS


def test_opening_again_needs_one_read_while_the_device_is_the_same() -> None:
    registers = image([common(), battery(), module(CELLS)])
    reader = SunSpecReader(cells=16)
    lead(reader.opening(), registers)
    log: list[Ask] = []
    lead(reader.opening(), registers, log)
    assert len(log) == 1
    log.clear()
    other = image([common("FR-0002"), battery(), module(CELLS)])
    lead(reader.opening(), other, log)
    assert len(log) > 1


def test_a_value_that_was_said_and_is_gone_is_an_error() -> None:
    reader = SunSpecReader(cells=16)
    temps = [180] * 16
    whole = image([common(), battery(), module(CELLS, temps_dc=temps)])
    lead(reader.reading(), whole)
    temps[4] = 0x8000
    fewer = image([common(), battery(), module(CELLS, temps_dc=temps)])
    for _ in range(2):
        with pytest.raises(DriverError, match="temps_dc: 16 said before, 15 now"):
            lead(reader.reading(), fewer)
    lead(reader.reading(), whole)
    other = image([common("FR-0002"), battery(), module(CELLS, temps_dc=temps)])
    lead(reader.opening(), other)
    assert len(lead(reader.reading(), other).temps_dc) == 15


# ---- cells -----------------------------------------------------------------------


def test_modules_are_ordered_by_string_then_place() -> None:
    parts = [module(CELLS[i : i + 4], place=1 + i // 4) for i in range(0, 16, 4)]
    assert read(*parts[::-1]).cells_mv == CELLS


def test_strings_in_parallel_give_a_multiple_of_cells() -> None:
    other = tuple(range(3_200, 3_216))
    sample = read(battery(), module(other, string=2), module(CELLS, string=1))
    assert sample.cells_mv == CELLS + other
    assert sample.voltage_mv == 52_300  # of the bus, so of one string


@pytest.mark.parametrize("cells", [15, 17])
def test_a_wrong_number_of_cells_says_both(cells: int) -> None:
    with pytest.raises(DriverError, match=rf"{cells} cells, 16 expected"):
        read(battery(), module(range(3_300, 3_300 + cells)))


def test_strings_of_unequal_length_are_refused() -> None:
    parts = module(CELLS[:15], string=1), module([*CELLS, 3_300], string=2)
    with pytest.raises(DriverError, match=r"15 \+ 17 cells, 16 expected"):
        read(*parts)


def test_the_smaller_count_is_taken_and_told() -> None:
    sample = read(module([*CELLS, 3_316], NCell=16))
    assert sample.cells_mv == CELLS
    origin = dict(sample.origin)["cells_mv"]
    assert origin == "805.CellV (16 said, 17 fit: 16 taken)"
    with pytest.raises(DriverError, match=r"15 cells \(16 said, 15 fit: 15 taken\)"):
        read(module(CELLS[:15], NCell=16))
    assert read(module(CELLS, NCell=ABSENT)).cells_mv == CELLS


def test_a_cell_that_is_not_implemented_is_named() -> None:
    text = r"cell 7 \(805 string 1 module 1 CellV 7\): not implemented \(0xFFFF\)"
    with pytest.raises(DriverError, match=text):
        read(module([*CELLS[:6], ABSENT, *CELLS[7:]]))


def test_cells_without_scale_factor_are_named() -> None:
    with pytest.raises(DriverError, match=r"cell 1 .*its scale factor is missing"):
        read(module(CELLS, CellV_SF=NO_SCALE))


@pytest.mark.parametrize(
    ("raw", "is_possible"),
    [(0, True), (9_999, True), (10_000, True), (10_001, False), (0x8000, False)],
)
def test_a_cell_beyond_10_volts_is_impossible(raw: int, is_possible: bool) -> None:  # noqa: FBT001 a table's column
    made = module([raw, *CELLS[1:]])
    if is_possible:
        assert read(made).cells_mv[0] == raw
    else:
        with pytest.raises(DriverError, match=r"cell 1 .*is impossible"):
            read(made)


@pytest.mark.parametrize(
    ("scale", "is_known"), [(9, True), (10, True), (11, False), (-10, True)]
)
def test_scale_factors_run_to_ten(scale: int, is_known: bool) -> None:  # noqa: FBT001 a table's column
    sample = read(battery(A=0, A_SF=scale), module(CELLS))
    assert (sample.current_ma is not None) is is_known


@pytest.mark.parametrize(
    ("raw", "cell_mv"),
    [(32_504, 3_250), (32_505, 3_250), (32_506, 3_251), (32_515, 3_252)],
)
def test_halves_go_to_the_even_millivolt(raw: int, cell_mv: int) -> None:
    assert read(module([raw] * 16, CellV_SF=-4)).cells_mv == (cell_mv,) * 16


@pytest.mark.parametrize(
    ("numbers", "low_mv", "high_mv", "point"),
    [
        ((802, 803, 804), 3_180, 3_400, "804.CellVMin"),
        ((802, 803), 3_190, 3_450, "803.StrCellVMin"),
        ((802,), 3_170, 3_460, "802.CellVMin"),
    ],
)
def test_without_single_cells_the_extremes_of_the_finest_model_count(
    numbers: tuple[int, ...], low_mv: int, high_mv: int, point: str
) -> None:
    sample = read(*(made for number in numbers for made in extremes(number)))
    assert (sample.cells_mv, sample.low_cell_mv, sample.high_cell_mv) == (
        (),
        low_mv,
        high_mv,
    )
    assert dict(sample.origin)["low_cell_mv"] == point


def test_a_battery_that_says_nothing_of_its_cells_is_an_error() -> None:
    with pytest.raises(DriverError, match="no cell voltage in the models 802 to 805"):
        read(battery())


def test_more_strings_said_than_fit_are_not_read_from_the_next_model() -> None:
    bank = model(803, 26 + 32, {2: 4, 22: -3, 24: -1, 34: 70, 35: 3_450, 37: 3_210})
    sample = read(bank, battery(A_SF=NO_SCALE))
    assert (sample.low_cell_mv, sample.current_ma) == (3_210, 7_000)
    origin = dict(sample.origin)["current_ma"]
    assert origin == "803.StrA (4 said, 1 fit: 1 taken)"
