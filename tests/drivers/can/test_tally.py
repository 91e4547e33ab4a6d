"""Who says what on a bus: RV-C by its identifiers, everything else by its bytes."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scan_stage import can_bus, until
from tocsin.ports import CanLine, TcpLine
from tocsin.sightings import ScanSpec
from tocsin_drivers.can import tally as tallies
from tocsin_drivers.can.frames import Frame
from tocsin_drivers.can.scan import build
from tocsin_drivers.can.tally import Tally

if TYPE_CHECKING:
    from tocsin.sightings import Battery, Identifier

# Frames after the RV-C specification (rv-c.com), DC sources 6.5, batteries 6.49.
STATUS_1 = "19FFFD46 01 78 08 01 A8 F5 35 77"
STATUS_2 = "19FFFC46 01 78 D0 24 81 89 03 FC"
STATUS_11 = "19FEA546 01 78 01 18 01 56 01 FF"
OF_STARTER = "19FFFD50 02 28 08 01 A8 F5 35 77"
OF_BATTERY = "19FE9547 02 01 09 01 00 94 35 77"
ALARM = "19FE9F46 01 45 45 03 00 01 FF FF"


def frame(text: str) -> Frame:
    can_id, *data = text.split()
    raw = bytes.fromhex("".join(data))
    return Frame(int(can_id, 16), raw, is_extended=len(can_id) > 3)


def tallied(*texts: str, gap_s: float = 0.5) -> Tally:
    tally = Tally()
    for number, text in enumerate(texts):
        tally.take(frame(text), number * gap_s)
    return tally


def only(tally: Tally) -> Battery:
    (battery,) = tally.batteries()
    return battery


def told(battery: Battery) -> dict[str, str]:
    return dict(battery.told)


def test_a_dc_source_is_told_with_its_messages_their_rates_and_who_speaks() -> None:
    battery = only(tallied(STATUS_1, STATUS_2, STATUS_11, STATUS_1))
    assert battery.title == "RV-C DC source 1, main house battery"
    assert (battery.instance, battery.battery, battery.trouble) == (1, None, "")
    assert (battery.voltage_v, battery.capacity_ah) == (13.2, 280)
    said = told(battery)
    assert said["now"] == "13.20 V, -25.0 A (+ is charging), 64 % charged, 21.5 degC"
    assert said["flags"] == "charge-refused", "the charge bus is off"
    assert said["DC_SOURCE_STATUS_1"] == "every 1.5 s from 46h"
    assert said["DC_SOURCE_STATUS_2"] == "once from 46h"
    assert said["from 46h"] == "priority 120, a battery that counts its charge"


def test_two_devices_of_one_rank_are_named_and_make_no_reading() -> None:
    twin = STATUS_1.replace("19FFFD46", "19FFFD47")
    battery = only(tallied(STATUS_1, twin, gap_s=0.1))
    assert "comes from both 46h and 47h" in battery.trouble
    assert {"from 46h", "from 47h"} <= told(battery).keys()


def test_a_source_without_its_first_message_says_which_is_missing() -> None:
    battery = only(tallied(STATUS_2))
    assert "DC_SOURCE_STATUS_1 of instance 1 is not heard" in battery.trouble


def test_a_starter_battery_is_set_aside() -> None:
    assert "starter battery" in only(tallied(OF_STARTER)).aside


def test_a_battery_is_a_pack_only_where_its_source_is_not_heard_whole() -> None:
    assert only(tallied(OF_BATTERY)).aside == ""
    source, battery = tallied(STATUS_1, OF_BATTERY).batteries()
    assert (source.battery, battery.battery) == (None, 2)
    assert battery.aside == "a part of DC source 1, which is heard whole"


@pytest.mark.parametrize("instance", ["00", "FB", "FF"])
def test_an_instance_that_is_none_is_no_battery(instance: str) -> None:
    text = STATUS_1.replace(" 01 78", f" {instance} 78", 1)
    assert tallied(text).batteries() == ()


@pytest.mark.parametrize(("instance", "is_one"), [("01", True), ("FA", True)])
def test_an_instance_from_1_to_250_is_one(instance: str, is_one: bool) -> None:  # noqa: FBT001
    text = STATUS_1.replace(" 01 78", f" {instance} 78", 1)
    assert bool(tallied(text).batteries()) is is_one


def by_id(tally: Tally) -> dict[str, Identifier]:
    return {each.written: each for each in tally.identifiers()}


def test_unknown_identifiers_come_with_rate_lengths_and_changing_bytes() -> None:
    tally = tallied("2A1 00 10 FF", "2A1 01 10 FF", "2A1 02 10", "18FF0102 AA")
    standard, extended = tally.identifiers()
    assert (standard.written, standard.frames, standard.rate_hz) == ("2A1", 3, 2.0)
    assert (standard.lengths, standard.pattern) == ((2, 3), "** 10 FF")
    assert (extended.written, extended.rate_hz) == ("18FF0102", None)
    assert extended.known == ""
    assert extended.hint == "DGN 0FF01 from 02h, if it is RV-C"


def test_a_standard_and_an_extended_identifier_of_one_number_are_two() -> None:
    tally = tallied("2A1 00", "000002A1 FF")
    assert by_id(tally).keys() == {"2A1", "000002A1"}


def test_known_messages_are_named() -> None:
    known = {each.known for each in tallied(ALARM, "18EAFFFE A5 FE 01").identifiers()}
    assert known == {"GENERIC_ALARM_STATUS from 46h", "REQUEST from FEh"}


def test_what_is_kept_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tallies, "MOST_IDENTIFIERS", 3)
    monkeypatch.setattr(tallies, "MOST_SPEAKERS", 2)
    tally = Tally()
    for n in range(1, 6):
        data = bytes((n, 120)) + frame(STATUS_1).data[2:]
        tally.take(Frame(0x19FFFD00 + n, data), n * 0.1)
    assert (tally.frames, tally.dropped) == (5, 2)
    assert len(tally.identifiers()) == 3
    assert len(tally.batteries()) == 2


@given(
    st.lists(
        st.builds(
            Frame,
            st.one_of(
                st.integers(0, 0x1FFF_FFFF),
                st.sampled_from([0x19FFFD46, 0x19FFFC46, 0x19FE9547, 0x19FEA546]),
            ),
            st.binary(max_size=8),
            is_remote=st.booleans(),
        ),
        max_size=40,
    )
)
def test_whatever_comes_is_counted_and_nothing_breaks(frames: list[Frame]) -> None:
    tally = Tally()
    for number, each in enumerate(frames):
        tally.take(each, number * 0.01)
    assert sum(each.frames for each in tally.identifiers()) == len(frames)
    for battery in tally.batteries():
        assert battery.trouble or battery.voltage_v is not None


@pytest.mark.parametrize("is_listen_only", [False, True])
def test_a_serial_adapter_acknowledges_unless_it_is_told_to_listen_only(
    *, is_listen_only: bool
) -> None:
    async def story() -> None:
        async with can_bus() as bus:
            line = CanLine(
                interface="slcan",
                channel=bus.device,
                bitrate=250_000,
                is_listen_only=is_listen_only,
            )
            scanner = build(ScanSpec(line=line))
            looking = asyncio.ensure_future(scanner.run())
            await until(lambda: len(scanner.found().identifiers) >= 8)
            assert bus.is_listening is is_listen_only
            assert bus.sent == []
            looking.cancel()
            await asyncio.gather(looking, return_exceptions=True)

    asyncio.run(story())


def test_an_adapter_that_is_pulled_out_is_told_and_what_was_found_stays() -> None:
    async def story() -> None:
        async with can_bus() as bus:
            line = CanLine(interface="slcan", channel=bus.device, bitrate=250_000)
            scanner = build(ScanSpec(line=line))
            looking = asyncio.ensure_future(scanner.run())
            await until(lambda: scanner.found().batteries)
            bus.unplug()
            await until(lambda: scanner.found().trouble)
            assert len(scanner.found().batteries) >= 1
            looking.cancel()
            await asyncio.gather(looking, return_exceptions=True)

    asyncio.run(story())


def test_only_a_can_bus_can_be_heard() -> None:
    with pytest.raises(ValueError, match="no CAN bus"):
        build(ScanSpec(line=TcpLine(host="h")))
