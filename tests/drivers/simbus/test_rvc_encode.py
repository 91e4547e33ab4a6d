"""RV-C frames, against worked frames and against cantools.

The frames were computed from the tables of the RV-C Specification Full Layer (RVIA),
sections 6.5.2 to 6.5.12, 6.47.1, 6.49, with the scaling of its table 5.3.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simbus_can import rvc_values, written
from tocsin_drivers.simbus import rvc_encode as rvc
from tocsin_drivers.simbus.can_frame import CanFrame

MAIN = rvc.Head(instance=1, second=120)
SECOND_BATTERY = rvc.Head(instance=2, second=1, source=0x47)

WORKED = [
    (
        rvc.status_1(MAIN, rvc.DC_SOURCE_STATUS_1, mv=13_200, out_ma=25_000),
        "19FFFD46 01 78 08 01 A8 F5 35 77",
    ),
    (
        rvc.status_1(MAIN, rvc.DC_SOURCE_STATUS_1, mv=13_600, out_ma=-42_375),
        "19FFFD46 01 78 10 01 79 EE 34 77",
    ),
    (
        rvc.status_2(
            MAIN, rvc.DC_SOURCE_STATUS_2, temp_c=21.5, soc_pct=64.5, left_min=905
        ),
        "19FFFC46 01 78 D0 24 81 89 03 FC",
    ),
    (
        rvc.status_2(
            MAIN, rvc.DC_SOURCE_STATUS_2, temp_c=-3.25, soc_pct=50, left_min=600
        ),
        "19FFFC46 01 78 B8 21 64 58 02 FC",
    ),
    (
        rvc.status_2(
            MAIN, rvc.DC_SOURCE_STATUS_2, temp_c=None, soc_pct=21, left_min=None
        ),
        "19FFFC46 01 78 FF FF 2A FF FF FF",
    ),
    (
        rvc.status_4(
            MAIN,
            rvc.DC_SOURCE_STATUS_4,
            state=rvc.DO_NOT_CHARGE,
            wish_mv=0,
            wish_ma=0,
            kind=3,
        ),
        "19FEC946 01 78 01 00 00 00 7D F3",
    ),
    (
        rvc.status_4(
            MAIN,
            rvc.DC_SOURCE_STATUS_4,
            state=rvc.CONSTANT,
            wish_mv=14_200,
            wish_ma=100_000,
            kind=3,
        ),
        "19FEC946 01 78 07 1C 01 D0 84 F3",
    ),
    (rvc.status_5(MAIN, mv=13_257, mv_per_s=None), "19FEC846 01 78 C9 33 00 00 FF FF"),
    (
        rvc.status_6(
            MAIN,
            high_limit=False,
            high_disconnect=False,
            low_limit=True,
            low_disconnect=False,
        ),
        "19FEC746 01 78 10 FF FF FF FF FF",
    ),
    (
        rvc.status_11(
            MAIN,
            rvc.DC_SOURCE_STATUS_11,
            load_on=True,
            charge_on=False,
            is_charging=False,
            is_reserve=False,
            full_ah=280,
            watts=342,
        ),
        "19FEA546 01 78 01 18 01 56 01 FF",
    ),
    (
        rvc.status_1(SECOND_BATTERY, rvc.BATTERY_STATUS_1, mv=13_250, out_ma=0),
        "19FE9547 02 01 09 01 00 94 35 77",
    ),
    (
        rvc.generic_alarm(
            0x46, alarm=1, device=69, is_on=True, elapsed_min=3, instance=1
        ),
        "19FE9F46 01 45 45 03 00 01 FF FF",
    ),
    (
        rvc.diagnostic(0x46, status=5, is_red=True, device=69, spn=1234, fmi=1),
        "19FECA46 45 45 00 9A 41 FF FF FF",
    ),
    (
        rvc.request(rvc.DC_SOURCE_STATUS_11, source=0xFE),
        "18EAFFFE A5 FE 01 FF FF FF FF FF",
    ),
]


@pytest.mark.parametrize(("frame", "page"), WORKED, ids=[row[1] for row in WORKED])
def test_every_worked_frame_comes_out_as_printed(frame: CanFrame, page: str) -> None:
    assert written([frame]) == [page]


@given(
    mv=st.integers(0, 3_212_500),
    out_ma=st.integers(-2_000_000_000, 2_294_967_290),
    temp_c=st.floats(-273, 1_735),
    soc_pct=st.floats(0, 125),
    left_min=st.integers(0, 65_530),
)
def test_what_goes_in_comes_back_through_cantools_within_half_a_step(
    mv: int, out_ma: int, temp_c: float, soc_pct: float, left_min: int
) -> None:
    first = rvc_values(rvc.status_1(MAIN, rvc.DC_SOURCE_STATUS_1, mv=mv, out_ma=out_ma))
    assert first is not None
    assert first[1]["volts"] == pytest.approx(mv / 1000, abs=0.025 + 1e-9)
    assert first[1]["amps_out"] == pytest.approx(out_ma / 1000, abs=1e-6)
    second = rvc_values(
        rvc.status_2(
            MAIN,
            rvc.DC_SOURCE_STATUS_2,
            temp_c=temp_c,
            soc_pct=soc_pct,
            left_min=left_min,
        )
    )
    assert second is not None
    assert second[1]["temperature"] == pytest.approx(temp_c, abs=1 / 64 + 1e-9)
    assert second[1]["soc"] == pytest.approx(soc_pct, abs=0.25 + 1e-9)
    assert second[1]["left_min"] == left_min


@pytest.mark.parametrize(
    ("raw", "size", "sent"),
    [
        (249, 1, "f9"),
        (250, 1, "fa"),
        (251, 1, "ff"),
        (65_529, 2, "f9ff"),
        (65_530, 2, "faff"),
        (65_531, 2, "ffff"),
        (4_294_967_290, 4, "faffffff"),
        (4_294_967_291, 4, "ffffffff"),
        (0, 2, "0000"),
        (-1, 2, "ffff"),
        (None, 4, "ffffffff"),
    ],
)
def test_a_value_its_field_cannot_hold_is_no_data(
    raw: int | None, size: int, sent: str
) -> None:
    assert rvc.field(raw, size).hex() == sent


@pytest.mark.parametrize(
    ("frame", "dgn"),
    [
        (rvc.request(0x1FE95, source=0xFE), 0x1FE95),
        (rvc.request(0x1FE95, source=0xFE, destination=0x46), 0x1FE95),
        (rvc.request(0x1FE95, source=0xFE, destination=0x45), None),
        (rvc.status_5(MAIN, mv=1), None),
        (CanFrame(identifier=0x18EAFFFE, data=b"\x95\xfe"), None),
        (CanFrame(identifier=0x2A1, data=b"\x95\xfe\x01", is_extended=False), None),
    ],
)
def test_a_device_knows_what_it_is_asked(frame: CanFrame, dgn: int | None) -> None:
    assert rvc.requested(frame, source=0x46) == dgn
