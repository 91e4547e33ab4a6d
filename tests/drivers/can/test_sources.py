"""The entry points: packs over the virtual interface and over a serial adapter."""

from __future__ import annotations

import asyncio
import os
import select
import tty
from importlib.metadata import entry_points
from typing import TYPE_CHECKING, Any

import can
import pytest

from can_made import HUT_DBC, HUT_SITE, whole
from can_stage import error_frame, message, spec, status_1
from site_files import SMALL, loaded, written
from tocsin.core.alarm import AlarmState
from tocsin.core.engine import step
from tocsin.core.events import AlarmFact, Trouble
from tocsin.core.rules import Priority, Unit
from tocsin.core.state import fresh
from tocsin.installed import open_sources
from tocsin.ports import CanLine, Heeds, Reports, SourceSpec
from tocsin.shell import Inbox
from tocsin_drivers.can.sources import build_dbc, build_rvc

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from can_stage import Garage
    from tocsin_drivers.can.frames import Frame


def on_wire(frame: Frame) -> can.Message:
    more = {"is_extended_id": frame.is_extended}
    return message(frame.can_id, frame.data, **more)


def test_both_are_entry_points() -> None:
    named = entry_points(group="tocsin.sources")
    assert named["dbc"].load() is build_dbc
    assert named["rv-c"].load() is build_rvc


def test_a_site_file_and_a_dbc_are_heard_over_the_virtual_interface(
    tmp_path: Path,
) -> None:
    written(tmp_path, HUT_DBC, "hut.dbc")
    setup = loaded(tmp_path, HUT_SITE)

    async def main() -> None:
        sources = build_dbc(setup.sources)
        async with sources.open("left") as source:
            with can.Bus(interface="virtual", channel="hut") as battery:
                for frame in whole():
                    battery.send(on_wire(frame))
                sample = await source.read()
        assert sample.cells_mv == (3301, 3302, 3303, 3304)

    asyncio.run(main())


@pytest.fixture
def adapter() -> Iterator[tuple[int, str]]:
    """Return the far end of a serial adapter, and the device's name."""
    far, near = os.openpty()
    tty.setraw(near)
    os.set_blocking(far, False)
    yield far, os.ttyname(near)
    os.close(far)
    os.close(near)


def written_to(far: int, *, until: bytes) -> bytes:
    """Return what the other end wrote; the kernel hands it over a little later."""
    said = b""
    for _ in range(100):
        if said.endswith(until):
            break
        if select.select([far], [], [], 0.1)[0]:
            said += os.read(far, 100)
    return said


def test_a_serial_adapter_is_heard_through_lines_in_pieces(
    adapter: tuple[int, str],
) -> None:
    far, device = adapter
    line = CanLine(interface="slcan", channel=device, bitrate=250_000)
    pack = SourceSpec(
        name="left", driver="rv-c", cells=4, line=line, options={"instance": 1}
    )

    async def main() -> None:
        async with build_rvc([pack]).open("left") as source:
            asked = written_to(far, until=b"\rO\r")
            assert asked.endswith(b"S5\r\rO\r"), "the bitrate is set, then it is opened"
            text = b"8F5\rT19FFFD46801780801A8F53577\rT1x\r\rz\rT19FFFC468017"
            os.write(far, text)
            sample = await source.read()
            assert (sample.voltage_mv, sample.temps_dc) == (13_200, ())
            os.write(far, b"8B821645802FC\r")
            await asyncio.sleep(0.05)
            assert (await source.read()).temps_dc == (-32,)
        left = written_to(far, until=b"C\r")
        assert left == b"C\r", "closed, and nothing sent in between"

    asyncio.run(main())


def test_a_serial_adapter_that_is_not_there_is_told() -> None:
    line = CanLine(interface="slcan", channel="/dev/none-of-this")
    pack = SourceSpec(
        name="left", driver="rv-c", cells=4, line=line, options={"instance": 1}
    )

    async def main() -> None:
        with pytest.raises(Exception, match="slcan:/dev/none-of-this cannot be opened"):
            async with build_rvc([pack]).open("left"):
                pass

    asyncio.run(main())


def low_cell(state: AlarmState) -> AlarmFact:
    return AlarmFact(
        at_ms=0,
        alarm="low-cell-forecast",
        subject="left/7",
        priority=Priority.HIGH,
        state=state,
        was="normal",
        value=None,
        unit=Unit.MINUTES,
        message="",
    )


def test_a_pack_that_transmits_claims_an_address_and_tells_of_the_cut_off(
    garage: Garage,
) -> None:

    async def main() -> None:
        sources = build_rvc([spec(instance=1, transmit=True)])
        assert isinstance(sources, Heeds)
        async with sources.open("left"):
            await asyncio.sleep(0.01)
            (claim,) = garage.bus.sent
            assert claim.arbitration_id & 0xFFFFFF00 == 0x18EEFF00
            sources.tell([low_cell(AlarmState.UNACKNOWLEDGED)])
            await asyncio.sleep(0.4)
        told = garage.bus.sent[-1]
        assert told.arbitration_id & 0xFFFFFF00 == 0x19FE9F00
        assert told.data == bytes.fromhex("01 45 45 00 00 01 FF FF")
        assert len(garage.bus.sent) == 2

    asyncio.run(main())


def test_a_device_that_took_over_is_reported_for_as_long_as_it_does(
    garage: Garage,
) -> None:
    told: list[tuple[str, str, str]] = []

    async def main() -> None:
        ages = {"DC_SOURCE_STATUS_1": 0.1}
        sources = build_rvc([spec(instance=1, max_age_s=ages)])
        assert isinstance(sources, Reports)
        sources.report_to(lambda *what: told.append(what))
        async with sources.open("left") as source:
            garage.bus.put(status_1())
            await source.read()
            assert told == []
            await asyncio.sleep(0.15)
            garage.bus.put(status_1("10 01", priority=80, source=0x47))
            assert (await source.read()).voltage_mv == 13_600
            assert told[-1][:2] == ("can", "pack left")
            assert "46h of priority 120 is silent" in told[-1][2]
            garage.bus.put(status_1())
            await asyncio.sleep(0.02)
            assert (await source.read()).voltage_mv == 13_200
            assert told[-1] == ("can", "pack left", "")

    asyncio.run(main())


@pytest.mark.parametrize(
    ("options", "wrong"),
    [
        ({"battery": 1}, "no RV-C instance"),
        ({"instance": 1, "current_sign": "up"}, "no such current sign"),
        ({"instance": 1, "max_age_s": {"DM_X": 1}}, "no RV-C message DM_X"),
    ],
)
def test_options_that_do_not_fit_are_refused(
    options: dict[str, Any], wrong: str
) -> None:
    with pytest.raises(ValueError, match=wrong):
        build_rvc([spec(**options)])
    with pytest.raises(ValueError, match="no DBC file or no signals"):
        build_dbc([spec(driver="dbc")])
    plain = SourceSpec(name="x", driver="rv-c", cells=4, options={"instance": 1})
    with pytest.raises(ValueError, match="no CAN bus"):
        build_rvc([plain])


def test_the_daemon_hears_of_a_bad_bus_and_tells_the_bus_of_alarms(
    tmp_path: Path, garage: Garage
) -> None:
    words = 'driver = "rv-c"\ninterface = "virtual"\nchannel = "app"\ninstance = 1'
    setup = loaded(tmp_path, SMALL.replace('driver = "trace"', words))
    told: list[tuple[str, str, str]] = []
    heeding: list[Heeds] = []

    async def main() -> None:
        opened = open_sources(
            setup, on_trouble=lambda *what: told.append(what), heeding=heeding
        )
        async with opened["left"]() as source:
            garage.bus.put(status_1(), error_frame(0x40))
            await source.read()
        assert told == [("can", "virtual:app", "bus-off (once)")]
        (listener,) = heeding
        listener.tell([low_cell(AlarmState.UNACKNOWLEDGED)])

    asyncio.run(main())
    assert garage.bus.sent == [], "without `transmit` nothing is passed on"


def test_a_bad_bus_is_an_alarm(tmp_path: Path) -> None:
    site = loaded(tmp_path).site
    state = fresh(site, now_ms=0)
    event = Trouble(at_ms=1, part="can", reason="virtual:app: bus-off")
    facts = step(state, event, site).facts
    (alarm,) = [f for f in facts if isinstance(f, AlarmFact)]
    assert (alarm.alarm, alarm.subject) == ("daemon-trouble", "can")
    assert "virtual:app: bus-off" in alarm.message


def test_troubles_of_several_places_are_one_alarms_reason() -> None:
    inbox = Inbox()

    def said() -> str:
        stamp, _ = inbox.queue.get_nowait()
        reason: str = stamp(at_ms=0).reason  # type: ignore[union-attr]
        return reason

    inbox.trouble_at("can", "socketcan:can1", "bus-off")
    assert said() == "socketcan:can1: bus-off"
    inbox.trouble_at("can", "socketcan:can0", "failed")
    assert said() == "socketcan:can0: failed; socketcan:can1: bus-off"
    inbox.trouble_at("can", "socketcan:can1", "")
    assert said() == "socketcan:can0: failed"
    inbox.trouble_at("can", "socketcan:can0", "")
    assert said() == ""
