"""Signals of a DBC file to samples: pages, ages, sentinels, bounds, masks.

The reference for values is cantools, which knows nothing of sentinels or bounds.
"""

from __future__ import annotations

import math
import random
from dataclasses import replace
from decimal import ROUND_HALF_EVEN, Decimal
from typing import TYPE_CHECKING, Any

import cantools
import pytest
from cantools.database.errors import DecodeError
from hypothesis import given
from hypothesis import strategies as st

from can_made import HUT_DBC, HUT_SITE, SMALL_ID, hut, most, page, small, state, whole
from can_random import draw
from site_files import loaded, written
from tocsin.core.model import Flag, Sample
from tocsin.dbc import DbcError, read_dbc
from tocsin.ports import DriverError
from tocsin.registers import PointRole
from tocsin.signals import MappedSignal, SignalMap
from tocsin_drivers.can.dbc_codec import DbcListener
from tocsin_drivers.can.frames import AbsentError, Frame, Heard

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path


class Pack:
    """A listener as the hut's site file makes it, what it heard, and a clock."""

    def __init__(self, signal_map: SignalMap, *, cells: int = 4) -> None:
        self.listener = DbcListener(hut(), signal_map, cells=cells)
        self.heard: dict[Any, Heard] = {}
        self.now_s = 100.0

    def hear(self, *frames: Frame) -> None:
        for frame in frames:
            identity = self.listener.identity(frame)
            if identity is not None:
                self.heard[identity] = Heard(frame, self.now_s)

    def sample(self) -> Sample:
        return self.listener.sample(self.heard, self.now_s)


@pytest.fixture
def signal_map(tmp_path: Path) -> SignalMap:
    written(tmp_path, HUT_DBC, "hut.dbc")
    made: SignalMap = loaded(tmp_path, HUT_SITE).sources[0].options["signals"]
    return made


@pytest.fixture
def pack(signal_map: SignalMap) -> Pack:
    return Pack(signal_map)


def test_a_whole_set_of_frames_makes_a_sample(pack: Pack) -> None:
    pack.hear(*whole())
    assert pack.sample() == Sample(
        cells_mv=(3301, 3302, 3303, 3304),
        temps_dc=(90, -30),
        current_ma=12_300,
        voltage_mv=13_280,
        soc_permille=650,
        beat=1,
        origin=(
            ("beat", "State.Beat"),
            ("cells_mv", "Cells.Cell01, Cells.Cell02, Cells.Cell03, Cells.Cell04"),
            ("current_ma", "State.Current"),
            ("flags", "State.Word, Most.ChargeOn"),
            ("soc_permille", "State.Charge"),
            ("temps_dc", "State.Warm, State.Cold"),
            ("voltage_mv", "Small.Volts"),
        ),
    )


def test_inversion_is_each_signals_own(pack: Pack) -> None:
    pack.hear(*whole(), state(current=-500), most(charge_on=0))
    sample = pack.sample()
    assert sample.current_ma == 50_000
    assert sample.flags == {Flag.CHARGE_REFUSED}
    pack.hear(state(current=500, word=0b1000), most(charge_on=1))
    sample = pack.sample()
    assert sample.current_ma == -50_000
    assert sample.flags == {Flag.HIGH_VOLTAGE_TRIP}


# --- whole or absent ------------------------------------------------------------------


@pytest.mark.parametrize(
    ("missing", "named"),
    [
        (0, r"cell 1 \(Cells.Cell01\) has not been heard; cell 2"),
        (1, r"cell 3 \(Cells.Cell03\)"),
        (2, r"current \(State.Current\).*; and 3 more"),
        (3, r"flags \(Most.ChargeOn\)"),
        (4, r"voltage \(Small.Volts\)"),
    ],
)
def test_a_missing_frame_is_named_by_its_signals(
    missing: int, named: str, pack: Pack
) -> None:
    pack.hear(*(frame for i, frame in enumerate(whole()) if i != missing))
    with pytest.raises(AbsentError, match=named):
        pack.sample()


@pytest.mark.parametrize(
    ("later_s", "is_old"), [(1.9, False), (2.0, False), (2.1, True)]
)
def test_each_page_has_its_own_age(
    later_s: float,
    is_old: bool,  # noqa: FBT001 a row of a table
    pack: Pack,
) -> None:
    pack.hear(*whole())
    pack.now_s += later_s
    pack.hear(page(0, 3311, 3312))
    if is_old:
        with pytest.raises(AbsentError, match=r"cell 3 .* is 2\.1 s old, at most 2 s"):
            pack.sample()
    else:
        assert pack.sample().cells_mv == (3311, 3312, 3303, 3304)


def test_each_signal_has_its_own_allowed_age(pack: Pack) -> None:
    """Two temperatures of one frame, of which the site allows one to be older."""
    pack.hear(*whole())
    pack.now_s += 6
    pack.hear(page(0, 1, 1), page(1, 1, 1), most(), small())
    with pytest.raises(AbsentError) as caught:
        pack.sample()
    assert "State.Warm" in str(caught.value)
    assert "State.Cold" not in str(caught.value)


def test_a_page_that_the_file_does_not_know_is_not_kept(pack: Pack) -> None:
    pack.hear(*whole(), page(2, 9, 9), page(77, 9, 9))
    assert len(pack.heard) == 5
    assert pack.sample().cells_mv == (3301, 3302, 3303, 3304)


def test_a_frame_cut_short_does_not_take_the_place_of_a_whole_one(pack: Pack) -> None:
    pack.hear(*whole())
    cut = page(0, 3999, 3999)
    pack.hear(cut._replace(data=cut.data[:1]), small()._replace(data=b"\x01"))
    assert pack.sample().cells_mv == (3301, 3302, 3303, 3304)


# --- sentinels and bounds ----------------------------------------------------------


@pytest.mark.parametrize(
    ("raw", "absent"), [(0x1FFA, False), (0x1FFB, True), (0x1FFF, True)]
)
def test_an_invalid_raw_value_never_becomes_a_number(
    raw: int,
    absent: bool,  # noqa: FBT001 a row of a table
    pack: Pack,
) -> None:
    naive = hut().messages["Cells"].decode(page(0, raw, 3300).data)
    assert naive["Cell01"][1] == pytest.approx(raw / 1000), "the naive way makes one"
    pack.hear(*whole(), page(0, raw, 3300))
    wanted = "no data" if absent else "above 5, by the DBC"
    with pytest.raises(DriverError, match=rf"cell 1 \(Cells.Cell01\).*{wanted}"):
        pack.sample()


def test_a_signed_sentinel_is_written_signed(pack: Pack) -> None:
    pack.hear(*whole(), state(current=-32_768))
    with pytest.raises(AbsentError, match=r"current .*no data \(raw -32768\)"):
        pack.sample()


def test_a_flag_that_is_not_known_is_absent(pack: Pack) -> None:
    for raw in (2, 3):
        pack.hear(*whole(), most(charge_on=raw))
        with pytest.raises(AbsentError, match=r"flags .*no data"):
            pack.sample()


@pytest.mark.parametrize(
    ("raw", "is_in"), [(4_999, True), (5_000, True), (5_001, False)]
)
def test_the_files_own_bounds_are_enforced(
    raw: int,
    is_in: bool,  # noqa: FBT001 a row of a table
    pack: Pack,
) -> None:
    pack.hear(*whole(), page(0, raw, 3300))
    if is_in:
        assert pack.sample().cells_mv[0] == raw
    else:
        with pytest.raises(DriverError, match="above 5, by the DBC"):
            pack.sample()


@pytest.mark.parametrize(
    ("raw", "wrong"),
    [
        (799, "below 8"),
        (800, ""),
        (801, ""),
        (1_999, ""),
        (2_000, ""),
        (2_001, "above 20"),
    ],
)
def test_the_sites_bounds_are_enforced(raw: int, wrong: str, pack: Pack) -> None:
    pack.hear(*whole(), small(raw))
    if wrong:
        with pytest.raises(DriverError, match=wrong):
            pack.sample()
    else:
        assert pack.sample().voltage_mv == raw * 10


# --- identifiers -------------------------------------------------------------------


def test_the_mask_lets_any_priority_and_address_pass_for_extended_ones(
    pack: Pack,
) -> None:
    for can_id in (0x00FF1000, 0x1CFF10FE):
        assert pack.listener.identity(page(0, 1, 1, can_id=can_id)) == (can_id, (0, 1))
    for can_id in (0x18FF1342, 0x1AFF1042):
        assert pack.listener.identity(page(0, 1, 1, can_id=can_id)) is None


def test_standard_and_extended_identifiers_are_two_things(pack: Pack) -> None:
    assert pack.listener.identity(small()) is not None
    assert pack.listener.identity(small()._replace(is_extended=True)) is None
    assert pack.listener.identity(page(0, 1, 1)._replace(is_extended=False)) is None


@pytest.mark.parametrize("kind", ["is_error", "is_remote", "is_fd"])
def test_error_remote_and_fd_frames_are_none(kind: str, pack: Pack) -> None:
    changed = Frame(**small()._asdict() | {kind: True})
    assert pack.listener.identity(changed) is None


def test_two_senders_of_one_signal_are_told(pack: Pack) -> None:
    pack.hear(*whole(), page(0, 3301, 3302, can_id=0x18FF1055))
    with pytest.raises(DriverError, match=r"cell 1 .*both 18FF1042 and 18FF1055"):
        pack.sample()
    pack.now_s += 2.1
    pack.hear(page(0, 3301, 3302, can_id=0x18FF1055), page(1, 3303, 3304))
    assert pack.sample().cells_mv[0] == 3301, "a sender may change its address"


def test_without_a_mask_only_the_files_own_identifier_is_heard(
    signal_map: SignalMap,
) -> None:
    pack = Pack(replace(signal_map, id_mask=None))
    assert pack.listener.identity(page(0, 1, 1)) is not None
    assert pack.listener.identity(page(0, 1, 1, can_id=0x18FF1043)) is None


def test_the_filters_are_the_messages(pack: Pack) -> None:
    filters = set(pack.listener.filters)
    extended = {(0xFF1000 & 0x3FFFF00, 0x03FFFF00, True)}
    extended |= {(0xFF1100, 0x03FFFF00, True), (0xFF1200, 0x03FFFF00, True)}
    assert filters == extended | {(SMALL_ID, 0x7FF, False)}


def test_a_signal_that_the_file_has_not_is_refused(signal_map: SignalMap) -> None:
    wrong = replace(signal_map.signals[0], signal="Cell99")
    with pytest.raises(ValueError, match=r"no Cells\.Cell99"):
        DbcListener(hut(), SignalMap(signals=(wrong,)), cells=4)


@pytest.mark.parametrize(
    "raw",
    [b"", b'VERSION ""', b"\xff\xfe\x00", b"not a dbc", b"BO_ 2049 X: 8 Y\n SG_ a"],
)
def test_what_is_no_dbc_file_is_told_in_one_line(raw: bytes) -> None:
    with pytest.raises(DbcError) as caught:
        read_dbc(raw)
    assert "\n" not in str(caught.value)


def test_a_long_name_is_cut_in_the_one_line() -> None:
    with pytest.raises(DbcError) as caught:
        read_dbc(
            VAST.replace(" A M", f" {'A' * 3_000} M")
            .format(8, 0, 8, "1e308", "")
            .encode()
        )
    assert len(str(caught.value)) < 200


VAST = 'BO_ 1 M: {0} N\n SG_ A M : {1}|{2}@1+ ({3},0) [0|0] "" N\n{4}'
PAGED = ' SG_ B m0M : 16|8@1+ (1,0) [0|0] "" N\n SG_ C m0M : 24|8@1+ (1,0) [0|0] "" N\n'
IN_A_RING = "SG_MUL_VAL_ 1 B C 0-0;\nSG_MUL_VAL_ 1 C B 0-0;\n"


@pytest.mark.parametrize(
    ("parts", "said"),
    [
        ((99_999_999, 0, 8, 1, ""), "line 1: a message of more than 1785 bytes"),
        ((1_786, 0, 8, 1, ""), "line 1: a message of more"),
        ((8, 0, 99_999_999, 1, ""), "line 2: a signal that fits in no message"),
        ((8, -5, 8, 1, ""), "line 2: a signal that fits in no message"),
        ((8, 0, -8, 1, ""), "line 2: a signal that fits in no message"),
        ((8, 4_294_967_295, "+1", 1, ""), "line 2: a signal that fits in no message"),
        ((1_785, 14_273, 8, 1, ""), "line 2: a signal that fits in no message"),
        ((8, 60, 8, 1, ""), "signal A does not fit in message M"),
        ((8, 0, 8, "1e308", ""), "factor, offset or bounds of A are no numbers"),
        ((8, 0, 8, "1e309", ""), "line 2: a number that is too large"),
        (
            (8, 0, 8, 1, 'BA_DEF_ BO_ "Age" INT 0 11e3080000;\n'),
            "line 3: a number that is too large",
        ),
        ((8, 0, 8, "1e300", ""), "factor, offset or bounds of A are no numbers"),
        ((8, 0, 8, "-1e15", ""), "factor, offset or bounds of A are no numbers"),
        ((8, 0, 8, "1.5.2", ""), "line 2, column"),
        ((8, 0, "8.5", 1, ""), "'8.5' is no number that fits there"),
        ((8, 0, 8, 1, PAGED + IN_A_RING), "multiplexed by itself"),
        (
            (8, 0, 16, 1, PAGED + "SG_MUL_VAL_ 1 B A 0-8193;\n"),
            "line 5: more than 8192 multiplexer values",
        ),
        (
            (8, 0, 16, 1, PAGED + "SG_MUL_VAL_ 1 B A -9999999-1;\n"),
            "line 5: more than 8192 multiplexer values",
        ),
        *(
            (
                (8, 0, 16, 1, PAGED + f"SG_MUL_VAL_ 1 B A {pages};\n"),
                "line 5: more than 8192 multiplexer values",
            )
            for pages in (
                *("1 98194", "1+8194", "1 // to\n-8194", "3-3, 0-00000000000099999999"),
                *("0-" + "9" * 5_000, "-9999999 01", "5 89999999999"),
            )
        ),
        (("0000000000000099999999", 0, 8, 1, ""), "line 1: a message of more than"),
        ((8, "0000000000000099999999", 8, 1, ""), "line 2: a signal that fits in no"),
        (
            (8, 0, 8, 1, "BO_ 2Second: 99999999 N\n"),
            "line 3: a message of more than 1785 bytes",
        ),
        ((8, 0, 8, 1, "BO_ what"), "Invalid syntax at line 3, column 5"),
    ],
)
def test_what_no_bus_has_is_told_with_its_place_at_once(
    parts: tuple[object, ...], said: str
) -> None:
    """Without that, the library makes lists of thousands of millions of elements."""
    with pytest.raises(DbcError) as caught:
        read_dbc(VAST.format(*parts).encode())
    assert said in str(caught.value)


@pytest.mark.parametrize(
    "parts",
    [
        (1_785, 14_272, 8, 1, ""),
        (8, 0, 64, "-9.9e14", ""),
        (8, 0, 16, 1, PAGED + "SG_MUL_VAL_ 1 B A 0-8192;\nSG_MUL_VAL_ 1 C A 0-0;\n"),
    ],
)
def test_the_largest_that_a_bus_may_have_is_read(parts: tuple[object, ...]) -> None:
    assert "A" in read_dbc(VAST.format(*parts).encode()).messages["M"].signals


@given(st.binary(max_size=200), st.booleans(), st.integers(0, 1_500))
def test_no_bytes_are_too_strange_for_a_file(
    raw: bytes,
    is_cut: bool,  # noqa: FBT001 drawn
    at: int,
) -> None:
    whole_file = HUT_DBC.encode()
    text = whole_file[:at] + raw + whole_file[at + 5 :] if is_cut else raw
    said = ""
    try:
        read_dbc(text)
    except DbcError as exc:
        said = str(exc)
    assert "\n" not in said


def test_what_is_encoded_reads_the_same() -> None:
    message = hut().messages["Cells"]
    data = message.encode({"Page": 1, "Cell03": 3.303, "Cell04": 3.304})
    assert data[:6] == page(1, 3303, 3304).data[:6]
    raw, volts = message.decode(data)["Cell04"]
    assert raw == 3304
    assert volts == pytest.approx(3.304)


# --- cantools as the reference -----------------------------------------------------


def half_even(value: Decimal) -> int:
    return int(value.scaleb(3).to_integral_value(ROUND_HALF_EVEN))


def expected(
    message: Any, name: str, frame: Frame, absent: Iterable[int]
) -> int | None:
    """Return milliamperes as cantools reads them; None where nothing may be read."""
    try:
        raw = message.decode(frame.data, scaling=False)[name]
        value = message.decode(frame.data)[name]
    except (DecodeError, KeyError):
        return None
    signal = message.get_signal_by_name(name)
    if not math.isfinite(value) or raw in absent:
        return None
    if signal.minimum is not None and not signal.minimum <= value <= signal.maximum:
        return None
    exact = half_even(Decimal(repr(float(value))))
    return exact if abs(exact) <= 20_000_000 else None


def near_a_bound(message: Any, name: str, frame: Frame) -> bool:
    """Binary values a hair beyond a decimal bound are within it for us."""
    signal = message.get_signal_by_name(name)
    try:
        value = message.decode(frame.data)[name]
    except (DecodeError, KeyError):
        return False
    bounds = (signal.minimum, signal.maximum)
    return any(b is not None and abs(value - b) < 1e-6 for b in bounds)


def test_five_hundred_random_files_read_as_cantools_reads_them() -> None:
    chance = random.Random(45)
    seen = {"value": 0, "absent": 0}
    for _ in range(500):
        drawn = draw(chance)
        dbc = read_dbc(drawn.text.encode())
        reference: Any = cantools.database.load_string(drawn.text, "dbc")
        message = reference.messages[0]
        for name in drawn.names:
            absent = chance.sample(range(-4, 300), 20)
            mapped = MappedSignal(
                message="Drawn",
                signal=name,
                role=PointRole.CURRENT,
                absent=tuple((raw, raw) for raw in absent),
            )
            listener = DbcListener(dbc, SignalMap(signals=(mapped,)), cells=1)
            for _ in range(5):
                data = bytes(chance.choice((0, 0, 1, 0xFF, chance.randrange(256)))
                             for _ in range(8))  # fmt: skip
                frame = Frame(drawn.can_id, data, drawn.is_extended)
                if near_a_bound(message, name, frame):
                    continue
                identity = listener.identity(frame)
                heard: dict[Any, Heard] = {}
                if identity is not None:
                    heard[identity] = Heard(frame, 1.0)
                wanted = expected(message, name, frame, absent)
                try:
                    got = listener.sample(heard, 1.0).current_ma
                except DriverError:
                    got = None
                assert got == wanted, (drawn.text, name, data.hex())
                seen["absent" if got is None else "value"] += 1
    assert min(seen.values()) > 1_500, seen
