from __future__ import annotations

from tocsin.core.events import Demand
from tocsin.core.rules import Role
from tocsin.ports import PinSpec
from tocsin_drivers.gpio.simulated import build

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
