"""The looks, at a machine made of plain files; each says only what it saw."""

from __future__ import annotations

import os
import threading
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from doctor_stage import DAEMON, LGPIO, NOW_MS, SERIAL_SITE, Faked
from site_files import loaded
from tocsin.doctor.machine import HangsError, node, run, within
from tocsin.doctor.probe_machine import board, clock, disk
from tocsin.doctor.probe_service import properties, service, watchdog, who
from tocsin.doctor.probe_wires import asking, can, pins, serials
from tocsin.doctor.seen import DaemonSeen, Kind, ServiceSeen

LINK = """[{"ifname":"can0","flags":["UP"],"linkinfo":{"info_kind":"can","info_data":{
"state":"BUS-OFF","berr_counter":{"tx":248,"rx":3},"restart_ms":0,
"bittiming":{"bitrate":500000}}}}]"""
"""As iproute2 6.1 writes it: the words stand in its program, the nesting is from
memory."""


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


NOBODY = DaemonSeen(socket="s", own_version="1", own_sha256="aa")


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"is_mute": True}, "may be using its line"),
        ({"is_forbidden": True}, "may be using its line"),
        ({"trouble": "older"}, "may be using its line"),
    ],
)
def test_a_line_is_never_asked_beside_a_daemon_that_may_be_there(
    changes: dict[str, Any], said: str, tmp_path: Path
) -> None:
    setup = loaded(tmp_path, SERIAL_SITE.format(device="/dev/no-such-line"))
    for ask in asking(setup, replace(NOBODY, **changes)):
        (seen,) = ask()
        assert seen.is_answering is None
        assert said in seen.said


def test_pins_are_looked_at_below_the_root_and_the_boot_file_is_read(
    faked: Faked, tmp_path: Path
) -> None:
    faked.put("/proc/device-tree/model", "Raspberry Pi 4 Model B Rev 1.5\0")
    faked.put("/boot/firmware/config.txt", "# dtparam=strict_gpiod\ndtparam=i2c_arm=on")
    setup = loaded(tmp_path, SERIAL_SITE.format(device="/dev/x") + LGPIO)
    seen = pins(faked.machine, setup, DAEMON, NOBODY)
    assert seen.is_pi
    assert seen.is_strict is False, "a remark is no setting"
    assert seen.seen is not None
    assert seen.seen.chip == ""
    faked.put("/boot/firmware/config.txt", "dtparam=strict_gpiod\n")
    assert pins(faked.machine, setup, DAEMON, NOBODY).is_strict


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
