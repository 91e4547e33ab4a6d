"""When a simulated device speaks, what a pause costs, and what can be wrong."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest

from simbus_can import rvc_values
from simbus_made import pack
from tocsin.core.model import Flag
from tocsin_drivers.simbus import rvc_encode as rvc
from tocsin_drivers.simbus.can_faults import (
    BABBLE_IDENTIFIER,
    ERROR_BUS_OFF,
    ERROR_CONTROLLER,
    ERROR_NO_ACK,
    ERROR_RESTARTED,
    CanFault,
    CanTraffic,
    Noise,
)
from tocsin_drivers.simbus.can_frame import CanFrame
from tocsin_drivers.simbus.can_node import (
    RvcPlace,
    named_dbc_node,
    rvc_node,
    shunt_node,
)
from tocsin_drivers.simbus.can_serve import hut_traffic, rvc_places
from tocsin_drivers.simbus.fern_ridge import make_bank

if TYPE_CHECKING:
    from tocsin_drivers.simbus.pack import PackReading

CELLS_ID, TEMPS_ID, STATE_ID, LIMITS_ID = 0x2A1, 0x2A2, 0x2A3, 0x2A4
PAGES = 6


class Said:
    """A reading that a test may change."""

    def __init__(self) -> None:
        self.now = pack(temp_c=20.0).reading

    def __call__(self) -> PackReading:
        return self.now

    def flag(self, *flags: Flag) -> None:
        self.now = replace(self.now, flags=frozenset(flags))


def counted(traffic: CanTraffic, from_ms: int, to_ms: int) -> Counter[Any]:
    """Return how often each identifier, and page of cells, was heard."""
    heard = Counter[Any]()
    for at_ms in range(from_ms, to_ms, 10):
        for frame in traffic.due(at_ms):
            if isinstance(frame, CanFrame) and not frame.is_error:
                heard[frame.identifier] += 1
                if frame.identifier == CELLS_ID:
                    heard["page", frame.data[0]] += 1
    return heard


def hut() -> CanTraffic:
    return hut_traffic(make_bank())


def test_every_message_comes_at_its_interval() -> None:
    said = Said()
    node = named_dbc_node(said, "left", 0)
    heard = counted(CanTraffic({"left": node}), 0, 10_000)
    assert heard[CELLS_ID] == PAGES * 10_000 // 500
    assert {heard["page", page] for page in range(PAGES)} == {10_000 // 500}
    assert heard[TEMPS_ID] == PAGES * 5
    assert heard[STATE_ID] == 50
    assert heard[LIMITS_ID] == 10


def test_rvc_messages_come_at_their_intervals() -> None:
    heard = counted(CanTraffic({"left": rvc_node(Said(), RvcPlace())}), 0, 10_000)
    by_dgn = {identifier >> 8 & 0x1FFFF: n for identifier, n in heard.items()}
    assert by_dgn == {
        rvc.DC_SOURCE_STATUS_1: 20,
        rvc.DC_SOURCE_STATUS_2: 20,
        rvc.DC_SOURCE_STATUS_3: 20,
        rvc.DC_SOURCE_STATUS_4: 2,
        rvc.DC_SOURCE_STATUS_5: 20,
        rvc.DC_SOURCE_STATUS_6: 2,
        rvc.DC_SOURCE_STATUS_11: 10,
        rvc.DM_RV: 2,
        rvc.GENERIC_ALARM_STATUS: 2,
    }


def test_pages_are_spread_over_the_cycle() -> None:
    node = named_dbc_node(Said(), "left", 0)
    at = {}
    for now_ms in range(0, 500, 10):
        for frame in node.due(now_ms):
            if frame.identifier == CELLS_ID:
                at[frame.data[0]] = now_ms
    assert list(at) == list(range(PAGES))
    assert len(set(at.values())) == PAGES


def test_what_a_long_pause_missed_is_said_once() -> None:
    node = named_dbc_node(Said(), "left", 0)
    node.due(0)
    identifiers = Counter(frame.identifier for frame in node.due(3_600_000))
    assert identifiers == {CELLS_ID: PAGES, TEMPS_ID: PAGES, STATE_ID: 1, LIMITS_ID: 1}
    assert node.due(3_600_050) == []


def test_a_limit_is_told_at_once() -> None:
    said = Said()
    node = rvc_node(said, RvcPlace())
    node.due(0)
    assert [f for f in node.due(10) if _dgn(f) == rvc.DC_SOURCE_STATUS_6] == []
    said.flag(Flag.LOW_VOLTAGE_WARNING)
    told = [f for f in node.due(20) if _dgn(f) == rvc.DC_SOURCE_STATUS_6]
    assert [f.data[2] for f in told] == [0x10]
    assert [f for f in node.due(30) if _dgn(f) == rvc.DC_SOURCE_STATUS_6] == []


def test_a_tripped_pack_lights_its_red_lamp_every_second() -> None:
    said = Said()
    node = rvc_node(said, RvcPlace())
    node.due(0)
    said.flag(Flag.LOW_VOLTAGE_TRIP)
    lamps = [
        f for t in range(10, 5_000, 10) for f in node.due(t) if _dgn(f) == rvc.DM_RV
    ]
    assert len(lamps) == 5
    assert {f.data[0] for f in lamps} == {0x45}


def _dgn(frame: CanFrame) -> int:
    return frame.identifier >> 8 & 0x1FFFF


def test_battery_messages_come_when_they_are_asked_for() -> None:
    node = rvc_node(Said(), RvcPlace(instance=3, battery=2, source=0x47))
    (answer,) = node.answer(rvc.request(rvc.BATTERY_STATUS_1, source=0xFE))
    assert answer.identifier == 0x19FE9547
    assert answer.data[:2] == bytes([2, 3]), "battery instance, then DC instance"
    assert node.answer(rvc.request(0x1FFFF, source=0xFE)) == []


def test_a_shunt_says_voltage_and_current_alone() -> None:
    place = RvcPlace(instance=1, priority=40, source=0x50)
    (frame,) = shunt_node(lambda: (53_200, -12_345), place).due(0)
    decoded = rvc_values(frame)
    assert decoded is not None
    assert decoded[1]["priority"] == 40
    assert decoded[1]["volts"] == pytest.approx(53.2)
    assert decoded[1]["amps_out"] == pytest.approx(12.345)


def test_no_two_packs_share_an_instance_a_source_or_an_identifier() -> None:
    places = rvc_places(make_bank().packs).values()
    assert len({place.instance for place in places}) == len(places)
    assert len({place.source for place in places}) == len(places)
    assert not {place.instance for place in places} & {0, 2}


def test_a_silent_device_leaves_the_others_alone() -> None:
    traffic = hut()
    traffic.break_down(CanFault.SILENCE, "left dbc")
    heard = counted(traffic, 0, 2_000)
    assert heard[STATE_ID] == 0
    assert heard[STATE_ID + 0x10] == 10
    traffic.repair()
    assert counted(traffic, 2_000, 4_000)[STATE_ID] == 10


def test_missing_pages_are_every_second_one() -> None:
    traffic = hut()
    traffic.break_down(CanFault.MISSING_PAGES, "left dbc")
    heard = counted(traffic, 0, 2_000)
    assert [heard["page", page] for page in range(PAGES)] == [4, 0, 4, 0, 4, 0]
    assert heard[STATE_ID] == 10


def test_a_double_speaks_for_the_same_instance_with_less_priority() -> None:
    traffic = hut()
    traffic.break_down(CanFault.DUPLICATE, "left rv-c")
    first = [d for f in traffic.due(0) if (d := _status_1(f)) and d["instance"] == 1]
    assert sorted(d["priority"] for d in first) == [100, 120]
    low, high = sorted(first, key=lambda d: d["priority"])
    assert low["volts"] - high["volts"] == pytest.approx(0.9, abs=0.05)


def _status_1(frame: CanFrame | Noise) -> Any:
    if isinstance(frame, Noise) or not frame.is_extended:
        return None
    decoded = rvc_values(frame)
    return decoded[1] if decoded and decoded[0] == "STATUS_1" else None


def test_a_babbling_node_floods_and_lets_the_others_through() -> None:
    traffic = hut()
    traffic.due(0)
    traffic.break_down(CanFault.BABBLE)
    heard = counted(traffic, 10, 1_010)
    assert heard[BABBLE_IDENTIFIER] == 3_000
    assert heard[STATE_ID] == 5


def test_bus_off_is_reported_once_then_nothing_is_heard_until_the_restart() -> None:
    traffic = hut()
    traffic.break_down(CanFault.BUS_OFF)
    first = traffic.due(0)
    assert _errors(first) == [ERROR_BUS_OFF]
    assert len(first) == 1
    assert traffic.due(5_000) == []
    assert traffic.answers(rvc.request(rvc.BATTERY_STATUS_1, source=0xFE)) == []
    traffic.repair()
    assert _errors(traffic.due(5_010)) == [ERROR_RESTARTED]


def _errors(said: list[CanFrame | Noise]) -> list[int]:
    return [f.identifier for f in said if isinstance(f, CanFrame) and f.is_error]


def test_error_frames_come_among_the_others() -> None:
    traffic = hut()
    traffic.break_down(CanFault.ERROR_FRAMES)
    said = [frame for at_ms in range(0, 3_000, 10) for frame in traffic.due(at_ms)]
    assert set(_errors(said)) == {ERROR_CONTROLLER, ERROR_NO_ACK}
    assert len(_errors(said)) == 30
    assert len(said) > 100


def test_frames_of_a_wrong_length_keep_their_identifier() -> None:
    traffic = hut()
    traffic.break_down(CanFault.WRONG_LENGTH, "left dbc")
    said = [f for at_ms in range(0, 2_000, 10) for f in traffic.due(at_ms)]
    lengths = {
        len(f.data)
        for f in said
        if isinstance(f, CanFrame) and f.identifier == STATE_ID
    }
    assert lengths <= set(range(8))
    assert len(lengths) > 2


def test_the_same_seed_tells_the_same_story() -> None:
    def story(seed: int) -> list[CanFrame | Noise]:
        traffic = hut_traffic(make_bank(), seed=seed)
        for fault in (CanFault.ERROR_FRAMES, CanFault.NOISE, CanFault.WRONG_LENGTH):
            traffic.break_down(fault)
        return [f for at_ms in range(0, 2_000, 10) for f in traffic.due(at_ms)]

    assert story(5) == story(5)
    assert story(5) != story(6)


@pytest.mark.parametrize(
    ("fault", "name"),
    [(CanFault.SILENCE, "nobody"), (CanFault.DUPLICATE, "shunt")],
)
def test_a_fault_of_nobody_is_refused(fault: CanFault, name: str) -> None:
    traffic = CanTraffic({"shunt": named_dbc_node(Said(), "shunt", 0)})
    with pytest.raises(KeyError):
        traffic.break_down(fault, name)
