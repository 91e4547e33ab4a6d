"""What a node that transmits says: RV-C specification 6.47, generic alarms."""

from __future__ import annotations

from typing import Any

import pytest

from tocsin.core.alarm import AlarmState
from tocsin.core.events import AlarmFact, Fact, NoteFact
from tocsin.core.rules import Priority, Unit
from tocsin_drivers.can import rvc_frames as rvc
from tocsin_drivers.can.alarm_status import Speaker
from tocsin_drivers.can.frames import Frame, Heard


def fact(
    state: AlarmState, alarm: str = "low-cell-forecast", subject: str = "left/7"
) -> Fact:
    return AlarmFact(
        at_ms=0,
        alarm=alarm,
        subject=subject,
        priority=Priority.HIGH,
        state=state,
        was="normal",
        value=None,
        unit=Unit.MINUTES,
        message="",
    )


class Node:
    """A speaker on a bus, and a clock."""

    def __init__(self) -> None:
        self.speaker = Speaker(name="hut", instance=1)
        self.heard: dict[Any, Heard] = {}
        self.now_s = 0.0
        (claim,) = self.speaker.begin(0.0)
        self.address = rvc.source_of(claim.can_id)

    def hear(self, frame: Frame) -> None:
        identity = self.speaker.identity(frame)
        if identity is not None:
            self.heard[identity] = Heard(frame, self.now_s)

    def at(self, now_s: float) -> list[Frame]:
        self.now_s = now_s
        return list(self.speaker.due(self.heard, now_s))

    def says(self, now_s: float) -> dict[str, Any]:
        (frame,) = self.at(now_s)
        assert frame.can_id == 0x19FE9F00 | self.address
        return dict(rvc.decode(rvc.GENERIC_ALARM, frame.data))


def test_nothing_is_said_before_the_address_is_ours() -> None:
    node = Node()
    assert node.at(0.1) == []
    assert node.says(0.25)["triggered"] is False
    assert node.at(10.0) == [], "nor again while nothing is wrong"


def test_an_impending_cut_off_is_the_worked_frame_three_minutes_later() -> None:
    node = Node()
    node.says(0.3)
    node.speaker.tell([fact(AlarmState.UNACKNOWLEDGED)], 1.0)
    said = node.says(1.0)
    assert (said["alarm"], said["device_type"], said["device_instance"]) == (1, 69, 1)
    assert (said["triggered"], said["acknowledged"]) == (True, False)
    (frame,) = node.at(181.0)
    assert frame.data == bytes.fromhex("01 45 45 03 00 01 FF FF")


@pytest.mark.parametrize(("at_s", "count"), [(5.9, 0), (6.0, 1), (6.1, 1)])
def test_it_is_said_again_every_five_seconds(at_s: float, count: int) -> None:
    node = Node()
    node.says(0.3)
    node.speaker.tell([fact(AlarmState.UNACKNOWLEDGED)], 1.0)
    node.says(1.0)
    assert len(node.at(at_s)) == count


def test_acknowledged_and_over_are_said_at_once() -> None:
    node = Node()
    node.says(0.3)
    node.speaker.tell([fact(AlarmState.UNACKNOWLEDGED)], 1.0)
    node.says(1.0)
    node.speaker.tell([fact(AlarmState.ACKNOWLEDGED)], 2.0)
    assert node.says(2.0)["acknowledged"] is True
    node.speaker.tell([fact(AlarmState.NORMAL)], 3.0)
    said = node.says(3.0)
    assert (said["triggered"], said["acknowledged"], said["elapsed_min"]) == (
        False,
        False,
        0,
    )
    assert node.at(60.0) == []


def test_it_lasts_until_the_last_pack_and_alarm_is_over() -> None:
    node = Node()
    node.says(0.3)
    both = [
        fact(AlarmState.UNACKNOWLEDGED),
        fact(AlarmState.UNACKNOWLEDGED, "low-cell", "right/11"),
    ]
    node.speaker.tell(both, 1.0)
    node.says(1.0)
    node.speaker.tell([fact(AlarmState.RETURNED)], 2.0)
    assert node.says(2.0)["triggered"] is True
    node.speaker.tell([fact(AlarmState.SHELVED, "low-cell", "right/11")], 3.0)
    assert node.says(3.0)["triggered"] is False


def test_other_alarms_and_facts_say_nothing() -> None:
    node = Node()
    node.says(0.3)
    other = fact(AlarmState.UNACKNOWLEDGED, "high-cell")
    node.speaker.tell([other, NoteFact(at_ms=0, what="start", text="")], 1.0)
    assert node.at(1.0) == []


def test_requests_are_answered_but_never_more_than_four_times_a_second() -> None:
    node = Node()
    node.says(0.3)
    answers = 0
    for i in range(100):
        node.now_s = 1.0 + i / 100
        node.hear(rvc.request(rvc.GENERIC_ALARM, 0xFE))
        answers += len(node.at(node.now_s))
    assert answers == 4


def test_a_request_for_the_claim_is_answered_and_one_for_others_is_not() -> None:
    node = Node()
    node.says(0.3)
    node.now_s = 1.0
    node.hear(rvc.request(rvc.ADDRESS_CLAIMED, 0x55))
    (frame,) = node.at(1.0)
    assert frame.can_id == 0x18EEFF00 | node.address
    assert node.at(1.1) == []
    node.now_s = 2.0
    other = (node.address + 1) & 0xFF
    node.hear(rvc.request(rvc.ADDRESS_CLAIMED, 0x55, to=other))
    node.hear(rvc.request(rvc.DC_1, 0x55))
    assert node.at(2.0) == []


def test_a_stronger_claim_moves_us_and_the_alarm_goes_on_from_there() -> None:
    node = Node()
    node.speaker.tell([fact(AlarmState.UNACKNOWLEDGED)], 0.0)
    node.says(0.3)
    node.now_s = 1.0
    can_id = rvc.can_id_of(rvc.ADDRESS_CLAIMED, node.address, to=rvc.GLOBAL)
    node.hear(Frame(can_id, bytes(8)))
    (claim,) = node.at(1.0)
    moved = rvc.source_of(claim.can_id)
    assert moved != node.address
    node.address = moved
    assert node.at(1.2) == []
    assert node.says(6.0)["triggered"] is True
