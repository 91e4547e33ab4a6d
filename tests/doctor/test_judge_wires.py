"""What is said of pins and buses, from what was seen of them."""

from __future__ import annotations

from dataclasses import replace

import pytest

from doctor_stage import DAEMON, about, complete, device
from tocsin.core.rules import Role
from tocsin.doctor import State
from tocsin.doctor.judge_bus import judge_can, judge_pack, judge_serial
from tocsin.doctor.judge_pins import judge_pins
from tocsin.doctor.seen import CanSeen, Kind, PackSeen, PinsAsked, SerialSeen
from tocsin.looks import LineSeen, PinsSeen
from tocsin.ports import PinSpec

CHARGE = PinSpec(output="charge", role=Role.CHARGE_PERMIT, pin="GPIO17")
FREE = LineSeen(is_held=False, is_output=False)
HELD = LineSeen(is_held=True, is_output=True, user="lg")
SEEN = PinsSeen(chip="/dev/gpiochip0", label="pinctrl-bcm2711", lines={"GPIO17": FREE})
CHIP = device("/dev/gpiochip0", gid=20, group="gpio")
ASKED = PinsAsked(
    driver="lgpio",
    outputs=(CHARGE,),
    inputs=(),
    wired=frozenset(),
    who=DAEMON,
    seen=SEEN,
    chip=CHIP,
    holders=(),
    is_pi=True,
    is_strict=True,
)


def test_a_sound_board_with_free_pins_is_good_throughout() -> None:
    assert {f.state for f in complete(judge_pins(ASKED))} == {State.GOOD}


def test_simulated_pins_are_doubtful_and_nothing_more_is_said_of_them() -> None:
    (only,) = complete(judge_pins(replace(ASKED, driver="simulated")))
    assert only.state is State.DOUBTFUL


@pytest.mark.parametrize(
    ("changes", "word", "state"),
    [
        ({"seen": None, "driver": "other"}, "pin driver", State.UNTOLD),
        ({"seen": replace(SEEN, chip="")}, "GPIO chip", State.WRONG),
        ({"seen": replace(SEEN, library="empty")}, "library", State.WRONG),
        ({"chip": replace(CHIP, gid=997)}, "GPIO chip", State.WRONG),
        ({"chip": replace(CHIP, mode=0o600)}, "GPIO chip", State.WRONG),
        ({"seen": replace(SEEN, trouble="gone")}, "GPIO chip", State.UNTOLD),
        ({"seen": replace(SEEN, lines={})}, "GPIO17 of charge", State.WRONG),
        ({"outputs": (replace(CHARGE, pin=None),)}, "pin of charge", State.WRONG),
        ({"is_strict": False}, "lets go", State.DOUBTFUL),
        ({"is_strict": None}, "lets go", State.DOUBTFUL),
    ],
)
def test_what_keeps_a_pin_from_moving_is_told(
    changes: dict[str, object], word: str, state: State
) -> None:
    said = complete(judge_pins(replace(ASKED, **changes)))  # type: ignore[arg-type]
    assert about(said, word).state is state


@pytest.mark.parametrize(
    ("line", "pid", "holders", "state"),
    [
        (FREE, None, (), State.GOOD),
        (FREE, 7, (), State.WRONG),
        (HELD, None, (("other", 9),), State.WRONG),
        (HELD, None, (), State.WRONG),
        (HELD, 7, (("tocsin", 7),), State.GOOD),
        (HELD, 7, (("other", 9),), State.WRONG),
        (HELD, 7, (), State.WRONG),
        (HELD, 7, (("tocsin", 7), ("other", 9)), State.DOUBTFUL),
        (HELD, 7, None, State.UNTOLD),
    ],
)
def test_a_line_is_good_when_it_is_free_or_the_daemon_s(
    line: LineSeen,
    pid: int | None,
    holders: tuple[tuple[str, int], ...] | None,
    state: State,
) -> None:
    seen = replace(SEEN, lines={"GPIO17": line})
    asked = replace(ASKED, seen=seen, daemon_pid=pid, holders=holders)
    assert about(complete(judge_pins(asked)), "GPIO17 of charge").state is state


def test_a_held_line_beside_a_daemon_that_could_not_be_asked_is_unknown() -> None:
    seen = replace(SEEN, lines={"GPIO17": HELD})
    said = complete(judge_pins(replace(ASKED, seen=seen, is_unsure=True)))
    assert about(said, "GPIO17 of charge").state is State.UNTOLD


@pytest.mark.parametrize(
    ("pin", "is_active_low", "state"),
    [
        ("GPIO8", False, State.WRONG),  # the last that is pulled up
        ("GPIO9", False, State.GOOD),
        ("GPIO8", True, State.DOUBTFUL),
        ("GPIO9", True, State.WRONG),
    ],
)
def test_a_level_at_boot_that_energises_is_wrong(
    pin: str,
    is_active_low: bool,  # noqa: FBT001
    state: State,
) -> None:
    """Raspberry Pi documentation: GPIO 0 to 8 are pulled up after reset."""
    output = replace(CHARGE, pin=pin, active_low=is_active_low)
    seen = replace(SEEN, lines={pin: FREE})
    said = complete(judge_pins(replace(ASKED, outputs=(output,), seen=seen)))
    assert about(said, "at boot").state is state


def test_an_output_with_a_stated_circuit_is_left_to_the_circuit_s_own_judge() -> None:
    asked = replace(ASKED, wired=frozenset({"charge"}))
    assert not [f for f in judge_pins(asked) if "at boot" in f.looked_at]


@pytest.mark.parametrize(
    ("node", "holders", "state"),
    [
        (device(), (), State.GOOD),
        (device(), None, State.UNTOLD),
        (device(), (("tocsin", 7),), State.GOOD),
        (device(), (("agetty", 9),), State.WRONG),
        (device(gid=5, group="tty"), (), State.WRONG),
        (device(mode=0o640), (), State.WRONG),
        (device(kind=Kind.MISSING), (), State.WRONG),
        (device(kind=Kind.FILE), (), State.WRONG),
        (device(kind=Kind.UNSEEN, trouble="no"), (), State.UNTOLD),
    ],
)
def test_a_serial_line_must_be_there_ours_and_nobody_else_s(
    node: object, holders: tuple[tuple[str, int], ...] | None, state: State
) -> None:
    seen = SerialSeen(
        node=node,  # type: ignore[arg-type]
        who=DAEMON,
        packs="right",
        holders=holders,
        daemon_pid=7,
    )
    (only,) = complete(judge_serial(seen))
    assert only.state is state


CAN = CanSeen(
    name="can0",
    packs="left",
    is_there=True,
    is_can=True,
    is_up=True,
    kind="can",
    bitrate=250_000,
    state="ERROR-ACTIVE",
    restart_ms=100,
    tx_errors=0,
    rx_errors=0,
    received=1_000,
)


@pytest.mark.parametrize(
    ("changes", "state"),
    [
        ({}, State.GOOD),
        ({"is_there": False}, State.WRONG),
        ({"is_can": False}, State.WRONG),
        ({"is_up": False}, State.WRONG),
        ({"kind": "vcan"}, State.DOUBTFUL),
        ({"state": None}, State.UNTOLD),
        ({"state": "BUS-OFF"}, State.WRONG),
        ({"state": "STOPPED"}, State.WRONG),
        ({"state": "ERROR-WARNING"}, State.DOUBTFUL),
        ({"state": "ERROR-PASSIVE", "tx_errors": 128}, State.DOUBTFUL),
        ({"received": 0}, State.DOUBTFUL),
        ({"received": 1}, State.GOOD),
    ],
)
def test_a_can_interface_is_judged_by_its_controller(
    changes: dict[str, object], state: State
) -> None:
    (only,) = complete(judge_can(replace(CAN, **changes)))  # type: ignore[arg-type]
    assert only.state is state


@pytest.mark.parametrize(("restart_ms", "is_told"), [(0, True), (1, False)])
def test_a_bus_that_stays_off_by_itself_is_told(
    restart_ms: int,
    is_told: bool,  # noqa: FBT001
) -> None:
    said = complete(judge_can(replace(CAN, restart_ms=restart_ms)))
    assert any("after bus-off" in f.looked_at for f in said) is is_told


@pytest.mark.parametrize(
    ("answers", "state"),
    [(True, State.GOOD), (False, State.WRONG), (None, State.UNTOLD)],
)
def test_a_pack_that_nobody_asked_is_not_good(
    answers: bool | None,  # noqa: FBT001
    state: State,
) -> None:
    seen = PackSeen(name="left", place="x", asked="asked", is_answering=answers)
    (only,) = complete(judge_pack(seen))
    assert only.state is state
