"""The looks, at a machine made of plain files; each says only what it saw."""

from __future__ import annotations

import os
import threading
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

import broker
from doctor_stage import DAEMON, NOW_MS, Faked
from journal_stage import Stamps, as_nobody, note
from site_files import loaded
from tocsin.doctor import Machine, State, examine
from tocsin.doctor.machine import HangsError, node, run, within
from tocsin.doctor.probe_house import broker as probe_broker
from tocsin.doctor.probe_house import ends_ms, journal, software
from tocsin.doctor.probe_machine import board, clock, disk
from tocsin.doctor.probe_service import properties, service, watchdog, who
from tocsin.doctor.probe_wires import can, pins, serials
from tocsin.doctor.seen import Kind, ServiceSeen
from tocsin.journal.rows import Entry, values
from tocsin.journal.store import Store
from tocsin.ports import BrokerSpec


@pytest.fixture
def faked(tmp_path: Path) -> Faked:
    return Faked(tmp_path / "root")


LINK = """[{"ifname":"can0","flags":["UP"],"linkinfo":{"info_kind":"can","info_data":{
"state":"BUS-OFF","berr_counter":{"tx":248,"rx":3},"restart_ms":0,
"bittiming":{"bitrate":500000}}}}]"""
"""As ``ip -details -json link show`` of iproute2 6.1 nests it, from memory."""


def test_a_can_interface_is_read_from_sysfs_and_from_ip(faked: Faked) -> None:
    of = "/sys/class/net/can0"
    faked.put(f"{of}/flags", "0x40081\n")
    faked.put(f"{of}/type", "280\n")
    faked.put(f"{of}/statistics/rx_packets", "42\n")
    faked.programs["ip -details -json link show dev can0"] = LINK
    seen = can(faked.machine, "can0", "left")
    assert (seen.is_there, seen.is_can, seen.is_up) == (True, True, True)
    assert (seen.kind, seen.state, seen.bitrate) == ("can", "BUS-OFF", 500_000)
    assert (seen.tx_errors, seen.rx_errors, seen.restart_ms) == (248, 3, 0)
    assert seen.received == 42


@pytest.mark.parametrize("said", [None, "", "[]", "not json", '["x"]', "7"])
def test_an_ip_that_says_nothing_of_use_leaves_the_state_unknown(
    said: str | None, faked: Faked
) -> None:
    faked.put("/sys/class/net/can0/flags", "0x1")
    if said is not None:
        faked.programs["ip"] = said
    assert can(faked.machine, "can0", "left").state is None


def test_an_interface_that_is_not_there_is_seen_so(faked: Faked) -> None:
    assert not can(faked.machine, "can0", "left").is_there


def test_this_machine_s_own_loopback_is_seen_as_no_can_interface() -> None:
    seen = can(Faked(Path("/")).machine, "lo", "left")
    assert (seen.is_there, seen.is_can) == (True, False)


SERIAL_SITE = """\
[bank]
capacity_ah = 280
cells_in_series = 16
[[pack]]
name = "left"
driver = "sunspec"
serial = "{device}"
[[pack]]
name = "right"
driver = "sunspec"
serial = "{device}"
unit = 2
"""


def test_a_serial_line_is_seen_once_with_all_its_packs_and_its_holders(
    tmp_path: Path,
) -> None:
    ours, theirs = os.openpty()
    try:
        setup = loaded(tmp_path, SERIAL_SITE.format(device=os.ttyname(theirs)))
        (seen,) = serials(Faked(Path("/")).machine, setup, DAEMON, None)
    finally:
        os.close(ours)
        os.close(theirs)
    assert seen.node.kind is Kind.DEVICE
    assert seen.packs == "left, right"
    assert os.getpid() in {pid for _, pid in seen.holders or ()}


def test_pins_are_looked_at_below_the_root_and_the_boot_file_is_read(
    faked: Faked, tmp_path: Path
) -> None:
    faked.put("/proc/device-tree/model", "Raspberry Pi 4 Model B Rev 1.5\0")
    faked.put("/boot/firmware/config.txt", "# dtparam=strict_gpiod\ndtparam=i2c_arm=on")
    setup = loaded(tmp_path, SERIAL_SITE.format(device="/dev/x") + LGPIO)
    seen = pins(faked.machine, setup, DAEMON, None)
    assert seen.is_pi
    assert seen.is_strict is False, "a remark is no setting"
    assert seen.seen is not None
    assert seen.seen.chip == ""
    faked.put("/boot/firmware/config.txt", "dtparam=strict_gpiod\n")
    assert pins(faked.machine, setup, DAEMON, None).is_strict


LGPIO = """\
[[output]]
name = "charge"
role = "charge-permit"
pin = "GPIO17"
[gpio]
pins = "lgpio"
"""


def test_a_clock_is_read_with_its_cell_and_its_source(faked: Faked) -> None:
    faked.put("/sys/class/rtc/rtc0/since_epoch", f"{NOW_MS // 1000 - 7}\n")
    faked.programs["timedatectl show"] = "NTPSynchronized=no\n"
    seen = clock(faked.machine, faked.root)
    assert seen.wall_ms == NOW_MS
    assert seen.is_synchronised is False
    assert seen.rtc_ms == NOW_MS - 7_000
    assert seen.newest_ms is None


def test_a_clock_that_nobody_tells_of_is_unknown(faked: Faked) -> None:
    seen = clock(faked.machine, faked.root)
    assert (seen.is_synchronised, seen.has_rtc, seen.rtc_ms) == (None, None, None)


MOUNTS = """\
/dev/mmcblk0p2 / ext4 rw,noatime 0 0
overlay {folder} overlay ro,lowerdir=/x 0 0
"""


def test_a_disk_is_seen_by_its_own_mount(faked: Faked, tmp_path: Path) -> None:
    here = tmp_path / "tocsin"
    faked.put("/proc/self/mounts", MOUNTS.format(folder=tmp_path))
    faked.put("/sys/class/block/overlay/device/life_time", "0x02 0x03\n")
    faked.put("/sys/class/block/overlay/device/pre_eol_info", "0x02\n")
    faked.put("/sys/fs/ext4/overlay/errors_count", "4\n")
    seen = disk(faked.machine, here, DAEMON)
    assert (seen.type, seen.is_read_only, seen.errors) == ("overlay", True, 4)
    assert (seen.life_pct, seen.is_worn) == (30, True)
    assert seen.folder.kind is Kind.MISSING
    assert seen.free_mb is not None
    assert seen.flush_ms is not None
    assert not here.exists()


def test_a_disk_without_a_mount_table_says_nothing_of_its_type(
    faked: Faked, tmp_path: Path
) -> None:
    seen = disk(faked.machine, tmp_path, DAEMON)
    assert (seen.type, seen.is_read_only, seen.errors) == (None, None, None)
    assert (seen.life_pct, seen.is_worn) == (None, None)


def test_memory_heat_and_supply_are_read_where_a_pi_has_them(faked: Faked) -> None:
    faked.put("/proc/meminfo", "MemTotal: 948276 kB\nMemAvailable: 500000 kB\n")
    faked.put("/sys/class/thermal/thermal_zone0/temp", "47712\n")
    faked.put("/sys/class/thermal/thermal_zone1/temp", "61000\n")
    faked.put("/sys/class/hwmon/hwmon1/name", "rpi_volt\n")
    faked.put("/sys/class/hwmon/hwmon1/in0_lcrit_alarm", "1\n")
    faked.put("/sys/devices/platform/soc/soc:firmware/get_throttled", "50005\n")
    seen = board(faked.machine)
    assert seen.available_mb == 512.0
    assert seen.hottest_c == 61.0
    assert seen.is_low_volt is True
    assert seen.throttled == 0x50005


def test_a_machine_that_tells_nothing_is_unknown(faked: Faked) -> None:
    seen = board(faked.machine)
    assert (seen.available_mb, seen.hottest_c) == (None, None)
    assert (seen.throttled, seen.is_low_volt) == (None, None)


def test_the_service_manager_is_asked_of_unit_itself_and_sandbox(faked: Faked) -> None:
    faked.programs["systemctl show --no-pager -p LoadState"] = "LoadState=loaded\nA=b=c"
    faked.programs["systemctl show"] = "RuntimeWatchdogUSec=15s\n"
    faked.programs["systemd-analyze security"] = (
        "→ Overall exposure level for tocsin.service: 1.8 OK 🙂\n"
    )
    seen = service(faked.machine, "tocsin.service", "/s.toml")
    assert seen.shown == {"LoadState": "loaded", "A": "b=c"}
    assert seen.manager == {"RuntimeWatchdogUSec": "15s"}
    assert (seen.exposure, seen.trouble) == (1.8, "")
    verbs = {words[1] for words in faked.asked}
    assert verbs == {"show", "security"}, "nothing is started, stopped or set"


def test_without_a_service_manager_that_is_what_is_seen(faked: Faked) -> None:
    assert service(faked.machine, "tocsin.service", "/s.toml").trouble
    assert properties("no mark\n") == {}


@pytest.mark.parametrize(("status", "was"), [("32", True), ("0", False), (None, None)])
def test_a_watchdog_is_read_and_never_opened(
    status: str | None,
    was: bool | None,  # noqa: FBT001
    faked: Faked,
) -> None:
    """``WDIOF_CARDRESET`` is 0x20: Linux, `watchdog.h`."""
    assert not watchdog(faked.machine).is_there
    (faked.root / "dev").mkdir(parents=True)
    os.mkfifo(faked.root / "dev" / "watchdog")  # whoever opened it would hang
    faked.put("/sys/class/watchdog/watchdog0/identity", "Broadcom BCM2835\n")
    if status is not None:
        faked.put("/sys/class/watchdog/watchdog0/bootstatus", status)
    seen = within(5, lambda: watchdog(faked.machine))
    assert (seen.is_there, seen.identity, seen.was_reset) == (
        True,
        "Broadcom BCM2835",
        was,
    )


def test_the_user_is_the_running_daemon_s_then_the_unit_s_then_ours(
    faked: Faked,
) -> None:
    faked.put("/proc/7/status", "Name:\tx\nUid:\t1\t990\t1\t1\nGid:\t9\t9\t9\t9\n"
              "Groups:\t20 997 \n")  # fmt: skip
    unit = ServiceSeen(
        unit="u", site="s", shown={"LoadState": "loaded", "User": "nobody"}
    )
    running = who(faked.machine, unit, 7)
    assert (running.uid, set(running.gids)) == (990, {9, 20, 997})
    assert who(faked.machine, unit, None).name == "nobody"
    assert who(faked.machine, ServiceSeen(unit="u", site="s"), None).uid == os.geteuid()


def test_a_program_that_is_missing_fails_or_hangs_says_nothing() -> None:
    assert run("tocsin-no-such-program") is None
    assert run("false") is None
    assert run("echo", "x") == "x\n"


def test_a_look_that_hangs_is_left_behind_and_one_that_fails_raises() -> None:
    ended = threading.Event()
    with pytest.raises(HangsError, match="within"):
        within(0.05, ended.wait)
    ended.set()
    with pytest.raises(ValueError, match="invalid"):
        within(5, lambda: int("x"))
    assert within(5, lambda: 7) == 7


def test_a_node_says_what_it_is(tmp_path: Path) -> None:
    assert node(tmp_path).kind is Kind.FOLDER
    assert node(tmp_path / "x").kind is Kind.MISSING
    assert node(Path("/dev/null")).kind is Kind.DEVICE
    loop = tmp_path / "loop"
    loop.symlink_to(loop)
    assert node(loop).kind is Kind.UNSEEN


@pytest.mark.parametrize(
    ("said", "moment"),
    [
        ("notAfter=Jan  9 10:00:00 2030 GMT\n", datetime(2030, 1, 9, 10, tzinfo=UTC)),
        ("", None),
        ("unable to load certificate", None),
    ],
)
def test_the_end_of_a_certificate_is_read_as_openssl_writes_it(
    said: str, moment: datetime | None
) -> None:
    expected = None if moment is None else int(moment.timestamp() * 1_000)
    assert ends_ms(said) == expected


def kept(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def test_a_journal_is_checked_without_leaving_anything_beside_it(
    tmp_path: Path,
) -> None:
    assert not journal(tmp_path).is_there
    written(tmp_path)
    before = kept(tmp_path)
    seen = journal(tmp_path)
    assert (seen.is_checked, seen.trouble, seen.rows) == (True, "", 400)
    assert kept(tmp_path) == before


def written(folder: Path) -> None:
    store = Store(folder, wall_ms=lambda: NOW_MS)
    entries = [
        Entry(seq=number, fact=note(number), wall_ms=NOW_MS) for number in range(400)
    ]
    store.append([values(entry, Stamps()) for entry in entries])
    store.close()


def test_a_damaged_journal_is_told(tmp_path: Path) -> None:
    written(tmp_path)
    path = tmp_path / "journal.db"
    whole = bytearray(path.read_bytes())
    whole[8_192:12_288] = os.urandom(4_096)
    path.write_bytes(whole)
    assert journal(tmp_path).trouble
    path.write_bytes(b"no database at all, and longer than its head" * 40)
    assert "no sound database" in journal(tmp_path).trouble


@pytest.mark.broker
def test_a_broker_is_asked_with_the_account_of_the_site(tmp_path: Path) -> None:
    free = broker.free_port()
    assert "127.0.0.1" in probe_broker(BrokerSpec(host="127.0.0.1", port=free)).trouble
    word = tmp_path / "word"
    word.write_text("wrong")
    with broker.running(tmp_path) as running, broker.listening(running.port) as ears:
        spec = BrokerSpec(host="127.0.0.1", port=running.port)
        assert probe_broker(spec).trouble == ""
        assert not ears.heard, "nothing is said to anyone"
    with broker.running(tmp_path, more="allow_anonymous false") as running:
        spec = BrokerSpec(
            host="127.0.0.1", port=running.port, username="hut", password_file=word
        )
        assert "refuses" in probe_broker(spec).trouble
        gone = BrokerSpec(
            host="127.0.0.1",
            port=running.port,
            username="hut",
            password_file=tmp_path / "gone",
        )
        assert "gone" in probe_broker(gone).trouble


def test_the_libraries_here_are_what_the_project_asks_for(tmp_path: Path) -> None:
    seen = software(loaded(tmp_path))
    names = {each.name for each in seen.packages}
    assert {"aiohttp", "pymodbus", "python-can", "paho-mqtt"} <= names
    assert "pytest" not in names
    assert all(each.version and not each.is_empty for each in seen.packages)
    assert {"sunspec", "lgpio"} <= set(seen.drivers)


def test_a_look_that_hangs_or_fails_is_a_finding_and_the_others_go_on(
    faked: Faked, tmp_path: Path
) -> None:
    ended = threading.Event()

    def stuck(*words: str) -> Any:
        if words[0] == "timedatectl":
            ended.wait()
        if words[0] == "systemctl":
            raise RuntimeError("broken")

    machine = Faked(faked.root).machine
    object.__setattr__(machine, "run", stuck)
    found = examine(loaded(tmp_path), machine=machine, look_s=2)
    ended.set()
    states = {f.looked_at: f.state for f in found}
    assert states["the look at clock"] is State.WRONG
    assert states["the look at service"] is State.UNTOLD
    assert {f.topic for f in found} >= {"daemon", "disk", "machine", "software"}


def test_what_may_not_be_seen_is_unknown_and_no_look_fails(
    tmp_path: Path,
) -> None:
    folder = tmp_path / "kept"
    written(folder)
    folder.chmod(0o700)
    with as_nobody():
        seen = journal(folder)
        assert (seen.is_there, seen.is_checked) == (True, False)
        assert "cannot be read" in seen.trouble
        assert clock(Machine(), folder).newest_ms is None
        assert node(folder / "journal.db").kind is Kind.UNSEEN
        assert disk(Machine(), folder, DAEMON).folder.kind is Kind.UNSEEN
