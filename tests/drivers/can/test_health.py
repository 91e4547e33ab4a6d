"""Error frames to what is wrong now. Bits: Linux ``include/uapi/linux/can/error.h``."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tocsin_drivers.can.health import QUIET_S, Health, Ill

if TYPE_CHECKING:
    from collections.abc import Callable


def told(can_id: int, controller: int = 0) -> set[Ill]:
    health = Health()
    health.error_frame(can_id, bytes((0, controller, 0, 0, 0, 0, 0, 0)), 0.0)
    return set(health.counts)


@pytest.mark.parametrize(
    ("can_id", "controller", "ills"),
    [
        (0x004, 0x01, {Ill.OVERFLOW}),
        (0x004, 0x02, {Ill.OVERFLOW}),
        (0x004, 0x04, {Ill.WARNING}),
        (0x004, 0x08, {Ill.WARNING}),
        (0x004, 0x10, {Ill.PASSIVE}),
        (0x004, 0x20, {Ill.PASSIVE}),
        (0x004, 0x40, set()),
        (0x020, 0x00, {Ill.NO_ACK}),
        (0x040, 0x00, {Ill.BUS_OFF}),
        (0x100, 0x00, {Ill.RESTARTED}),
        (0x064, 0x10, {Ill.NO_ACK, Ill.BUS_OFF, Ill.PASSIVE}),
        (0x002, 0xFF, set()),
        (0x088, 0xFF, set()),
    ],
)
def test_a_class_says_what_is_wrong(
    can_id: int, controller: int, ills: set[Ill]
) -> None:
    assert told(can_id, controller) == ills


@pytest.mark.parametrize(
    ("later_s", "is_over"), [(9.9, False), (10.0, False), (10.1, True)]
)
def test_a_condition_is_over_when_nothing_tells_of_it(
    later_s: float,
    is_over: bool,  # noqa: FBT001 a row of a table
) -> None:
    assert QUIET_S == 10.0
    health = Health()
    health.note(Ill.WARNING, 100.0)
    assert (health.reason(100.0 + later_s) == "") is is_over
    assert health.counts == {Ill.WARNING: 1}, "what was counted stays counted"


def restarted(health: Health) -> None:
    health.error_frame(0x100, bytes(8), 5_000.0)


def active_again(health: Health) -> None:
    health.error_frame(0x004, bytes((0, 0x40)), 5_000.0)


@pytest.mark.parametrize("recover", [restarted, active_again, Health.data_frame])
def test_bus_off_lasts_until_a_restart_or_a_frame(
    recover: Callable[[Health], None],
) -> None:
    health = Health()
    health.error_frame(0x040, bytes(8), 0.0)
    assert health.reason(4_999.0) == "bus-off (once)"
    recover(health)
    assert "bus-off (once)" not in health.reason(5_000.0).split(", ")


def test_the_worst_is_said_first_with_its_count() -> None:
    health = Health()
    for _ in range(3):
        health.note(Ill.WARNING, 1.0)
    health.note(Ill.NO_ACK, 1.0)
    assert health.reason(1.0) == (
        "no acknowledge: no other node listens (once), "
        "error warning: frames are faulty (3 times)"
    )


@given(
    st.lists(
        st.tuples(st.integers(0, 0x1FFFFFFF), st.binary(max_size=8), st.floats(0, 1e6))
    )
)
def test_no_error_frame_is_too_strange(frames: list[tuple[int, bytes, float]]) -> None:
    health = Health()
    for can_id, data, at_s in frames:
        health.error_frame(can_id, data, at_s)
        health.reason(at_s)
    assert health.errors == len(frames)
    assert set(health.counts) <= set(Ill)
