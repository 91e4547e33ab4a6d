from __future__ import annotations

import pytest

from tocsin.core.events import Demand
from tocsin.core.plant import InputRole
from tocsin.core.rules import Role
from tocsin.ports import DriverError, InputSpec, PinSpec
from tocsin_drivers.gpio.simulated import build, build_inputs

PINS = [
    PinSpec(output="charge", role=Role.CHARGE_PERMIT),
    PinSpec(output="heart", role=Role.HEARTBEAT),
]
ON = Demand(output="charge", role=Role.CHARGE_PERMIT, energised=True, called=True)


def test_every_output_begins_and_ends_de_energised() -> None:
    pins = build(PINS)
    assert pins.levels == {"charge": False, "heart": False}
    pins.hold((ON,))
    pins.beat()
    assert pins.levels == {"charge": True, "heart": True}
    pins.close()
    assert pins.levels == {"charge": False, "heart": False}


def test_only_a_beat_moves_the_heart() -> None:
    pins = build(PINS)
    seen = []
    for _ in range(3):
        pins.hold((ON,))
        pins.beat()
        seen.append(pins.levels["heart"])
    assert seen == [True, False, True]


ACK = InputSpec(input="ack", role=InputRole.ACKNOWLEDGE)
BACK = InputSpec(input="back", role=InputRole.READ_BACK)


def test_an_input_is_turned_by_name_and_tells_its_edges() -> None:
    made, told = build_inputs([ACK, BACK]), list[tuple[str, bool]]()
    made.listen(lambda name, level: told.append((name, level)))
    assert made.read() == {"ack": False}, "a read-back says nothing before it is turned"
    made.turn("ack", level=True)
    made.turn("back", level=True)
    assert told == [("ack", True), ("back", True)]
    assert made.read() == {"ack": True, "back": True}
    made.close()
    made.turn("ack", level=False)
    assert len(told) == 2


def test_a_broken_wire_is_read_as_such() -> None:
    made = build_inputs([ACK])
    made.turn("ack", level=DriverError("wire off"))
    assert str(made.read()["ack"]) == "wire off"
    with pytest.raises(KeyError):
        made.turn("bell", level=True)
