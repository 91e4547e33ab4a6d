"""RV-C messages to samples: who is believed, what falls silent, what is refused."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from tocsin.core.model import Flag, Sample
from tocsin.ports import DriverError
from tocsin_drivers.can import rvc_frames as rvc
from tocsin_drivers.can.frames import AbsentError, Frame, Heard
from tocsin_drivers.can.rvc_reader import MAX_AGE_S, RvcListener

D = Decimal


class Battery:
    """A listener, the frames that it heard, and a clock."""

    def __init__(self, **words: Any) -> None:
        self.listener = RvcListener(**{"instance": 1, **words})
        self.heard: dict[Any, Heard] = {}
        self.now_s = 100.0

    def say(
        self, dgn: int, *, source: int = 0x46, priority: int = 120, **values: Any
    ) -> None:
        data = rvc.encode(dgn, instance=1, priority=priority, **values)
        self.frame(dgn, data, source=source)

    def frame(self, dgn: int, data: bytes, *, source: int = 0x46) -> None:
        frame = Frame(rvc.can_id_of(dgn, source), data)
        identity = self.listener.identity(frame)
        if identity is not None:
            self.heard[identity] = Heard(frame, self.now_s)

    def status_1(self, volts: str = "13.20", amps: str = "25", **who: Any) -> None:
        self.say(rvc.DC_1, voltage_v=D(volts), discharge_a=D(amps), **who)

    def sample(self) -> Sample:
        return self.listener.sample(self.heard, self.now_s)


def test_the_worked_frames_make_a_sample() -> None:
    """RV-C specification 6.5.2 to 6.5.12; positive current flows from the source."""
    battery = Battery()
    for dgn, data in (
        (rvc.DC_1, "01 78 08 01 A8 F5 35 77"),
        (rvc.DC_2, "01 78 D0 24 81 89 03 FC"),
        (rvc.DC_4, "01 78 07 1C 01 D0 84 F3"),
        (rvc.DC_5, "01 78 C9 33 00 00 FF FF"),
        (rvc.DC_6, "01 78 10 FF FF FF FF FF"),
        (rvc.DC_11, "01 78 01 18 01 56 01 FF"),
    ):
        battery.frame(dgn, bytes.fromhex(data))
    sample = battery.sample()
    assert sample.voltage_mv == 13_257, "the finer of two voltages"
    assert sample.current_ma == -25_000, "discharge is negative here"
    assert sample.temps_dc == (215,)
    assert sample.soc_permille == 645
    assert sample.charge_limit_ma == 100_000
    assert sample.flags == {Flag.LOW_VOLTAGE_WARNING, Flag.CHARGE_REFUSED}
    assert sample.cells_mv == ()
    assert dict(sample.origin)["voltage_mv"] == "DC_SOURCE_STATUS_5"


def test_a_battery_of_a_source_is_heard_by_its_own_messages() -> None:
    battery = Battery(battery=2)
    battery.frame(rvc.BATTERY_1, bytes.fromhex("02 01 09 01 00 94 35 77"), source=0x47)
    sample = battery.sample()
    assert (sample.voltage_mv, sample.current_ma) == (13_250, 0)
    for other in ("03 01", "02 02"):
        stranger = bytes.fromhex(other + " 10 01 00 94 35 77")
        battery.frame(rvc.BATTERY_1, stranger, source=0x48)
    battery.status_1("14.00")
    assert battery.sample().voltage_mv == 13_250


def test_the_sign_of_current_can_be_turned() -> None:
    battery = Battery(is_charge_positive=True)
    battery.status_1(amps="25")
    assert battery.sample().current_ma == 25_000


@pytest.mark.parametrize(
    ("field", "flag"),
    [
        ("high_voltage_limit", Flag.HIGH_VOLTAGE_WARNING),
        ("high_voltage_disconnect", Flag.HIGH_VOLTAGE_TRIP),
        ("low_voltage_limit", Flag.LOW_VOLTAGE_WARNING),
        ("low_voltage_disconnect", Flag.LOW_VOLTAGE_TRIP),
    ],
)
def test_limit_and_disconnect_bits_are_flags_only_when_they_are_yes(
    field: str, flag: Flag
) -> None:
    for value, flags in ((True, {flag}), (False, set()), (None, set())):
        battery = Battery()
        battery.status_1()
        battery.say(rvc.DC_6, **one(field, value))
        assert battery.sample().flags == flags


@pytest.mark.parametrize(
    ("field", "flag"),
    [
        ("discharge_bus_on", Flag.DISCHARGE_REFUSED),
        ("charge_bus_on", Flag.CHARGE_REFUSED),
    ],
)
def test_a_bus_that_is_off_is_a_refusal_and_an_unknown_one_is_not(
    field: str, flag: Flag
) -> None:
    for value, flags in ((True, set()), (False, {flag}), (None, set())):
        battery = Battery()
        battery.status_1()
        battery.say(rvc.DC_11, **one(field, value))
        assert battery.sample().flags == flags


@pytest.mark.parametrize(
    ("state", "refuses"), [(0, False), (1, True), (2, False), (7, False), (None, False)]
)
def test_do_not_charge_is_a_refusal(
    state: int | None,
    refuses: bool,  # noqa: FBT001 a row of a table
) -> None:
    battery = Battery()
    battery.status_1()
    battery.say(rvc.DC_4, charge_state=state, desired_a=D(0))
    sample = battery.sample()
    assert sample.flags == ({Flag.CHARGE_REFUSED} if refuses else set())
    assert sample.charge_limit_ma is None, "0 A beside a state that charges says little"


def one(field: str, value: object) -> dict[str, Any]:
    return {field: value}


# --- who is believed ------------------------------------------------------------------


@pytest.mark.parametrize(
    ("later_s", "volts_mv"), [(2.9, 13_200), (3.0, 13_200), (3.1, 14_000)]
)
def test_the_highest_priority_is_believed_until_it_has_been_silent_for_too_long(
    later_s: float, volts_mv: int
) -> None:
    assert MAX_AGE_S[rvc.DC_1] == 3.0
    battery = Battery()
    battery.status_1("13.20", priority=120)
    battery.now_s += later_s
    battery.status_1("14.00", priority=80, source=0x47)
    assert battery.sample().voltage_mv == volts_mv
    is_fallen = volts_mv == 14_000
    said = "device 46h of priority 120 is silent, 47h of priority 80 is believed"
    assert battery.listener.note == (said if is_fallen else "")
    battery.status_1("13.30", priority=120)
    assert battery.sample().voltage_mv == 13_300
    assert battery.listener.note == ""


def test_each_message_is_believed_of_the_best_device_that_sends_it() -> None:
    battery = Battery()
    battery.say(rvc.DC_2, soc_pct=D(50), priority=120)
    battery.status_1("13.20", priority=20, source=0x50)
    sample = battery.sample()
    assert (sample.voltage_mv, sample.soc_permille) == (13_200, 500)


def test_two_devices_of_one_rank_contradict_each_other() -> None:
    battery = Battery()
    battery.status_1("13.20", source=0x46)
    battery.now_s += 0.25
    battery.status_1("12.80", source=0x47)
    with pytest.raises(DriverError, match="both 46h and 47h of priority 120"):
        battery.sample()


def test_a_device_may_change_its_address() -> None:
    battery = Battery()
    battery.status_1("13.20", source=0x46)
    battery.now_s += 1.0
    battery.status_1("13.10", source=0x81)
    assert battery.sample().voltage_mv == 13_100


# --- what is missing ------------------------------------------------------------------


def test_nothing_heard_names_the_message_and_the_instance() -> None:
    with pytest.raises(AbsentError, match="DC_SOURCE_STATUS_1 of instance 1 is not"):
        Battery().sample()
    with pytest.raises(AbsentError, match="BATTERY_STATUS_1 of instance 1, battery 2"):
        Battery(battery=2).sample()


@pytest.mark.parametrize(
    "dgn", [rvc.DC_1, rvc.DC_2, rvc.DC_4, rvc.DC_5, rvc.DC_6, rvc.DC_11]
)
def test_a_message_that_was_heard_must_go_on_being_heard(dgn: int) -> None:
    most_s = MAX_AGE_S[dgn]
    for late_s, is_missing in ((-0.1, False), (0.0, False), (0.1, True)):
        battery = Battery()
        needed = {"voltage_v": D(13), "discharge_a": D(0)}
        values: dict[str, Any] = needed if dgn == rvc.DC_1 else {}
        battery.say(dgn, **values)
        battery.now_s += most_s + late_s
        if dgn != rvc.DC_1:
            battery.status_1()
        if is_missing:
            with pytest.raises(
                AbsentError, match=rf"{rvc.NAMES[dgn]}.* s old, at most"
            ):
                battery.sample()
        else:
            assert battery.sample().voltage_mv


def test_the_allowed_age_can_be_set() -> None:
    battery = Battery(max_age_s={rvc.DC_6: 3_600.0})
    battery.say(rvc.DC_6, low_voltage_limit=True)
    battery.now_s += 3_600
    battery.status_1()
    assert battery.sample().flags == {Flag.LOW_VOLTAGE_WARNING}


@pytest.mark.parametrize("missing", ["voltage_v", "discharge_a"])
def test_a_sentinel_never_becomes_a_number(missing: str) -> None:
    battery = Battery()
    values: dict[str, Any] = {"voltage_v": D(13), "discharge_a": D(0)}
    values[missing] = None
    battery.say(rvc.DC_1, **values)
    with pytest.raises(AbsentError, match="no data of"):
        battery.sample()


def test_what_was_never_said_is_not_missed_and_what_was_is() -> None:
    battery = Battery()
    battery.status_1()
    battery.say(rvc.DC_2, soc_pct=D(50))
    assert battery.sample().temps_dc == ()
    battery.say(rvc.DC_2, soc_pct=D(50), temp_c=D(20))
    assert battery.sample().temps_dc == (200,)
    battery.say(rvc.DC_2, soc_pct=D(50))
    with pytest.raises(AbsentError, match="temps_dc: said before"):
        battery.sample()


def test_a_flag_that_was_known_and_is_not_any_more_is_missing() -> None:
    battery = Battery()
    battery.status_1()
    battery.say(rvc.DC_6, low_voltage_limit=False)
    battery.sample()
    battery.frame(rvc.DC_6, bytes.fromhex("01 78 EF FF FF FF FF FF"))  # 10: an error
    with pytest.raises(AbsentError, match="low_voltage_limit"):
        battery.sample()


@pytest.mark.parametrize(
    ("soc_pct", "is_possible"), [("99.5", True), ("100", True), ("100.5", False)]
)
def test_more_than_full_is_impossible(
    soc_pct: str,
    is_possible: bool,  # noqa: FBT001 a row of a table
) -> None:
    battery = Battery()
    battery.status_1()
    battery.say(rvc.DC_2, soc_pct=D(soc_pct))
    if is_possible:
        assert battery.sample().soc_permille == D(soc_pct) * 10
    else:
        with pytest.raises(DriverError, match="impossible"):
            battery.sample()


# --- what is not for us ---------------------------------------------------------------


@pytest.mark.parametrize(
    "change",
    [
        {"is_extended": False},
        {"is_error": True},
        {"is_remote": True},
        {"is_fd": True},
        {"data": b"\x02\x78\x08\x01"},
        {"data": b"\x01"},
        {"can_id": 0x19FFFA46},
        {"can_id": 0x1BFFFD46},  # the reserved bit
    ],
)
def test_a_frame_that_is_not_ours_is_none(change: dict[str, Any]) -> None:
    frame = Frame(0x19FFFD46, bytes.fromhex("01 78 08 01 A8 F5 35 77"))
    listener = RvcListener(instance=1)
    assert listener.identity(frame) == (rvc.DC_1, 120, 0x46)
    assert listener.identity(frame._replace(**change)) is None


def test_any_message_priority_and_address_is_heard() -> None:
    for can_id in (0x01FFFD00, 0x1DFFFDFE):
        frame = Frame(can_id, bytes.fromhex("01 FF 08 01 A8 F5 35 77"))
        assert RvcListener(instance=1).identity(frame) == (rvc.DC_1, 0, can_id & 0xFF)
