"""All looks at one machine made of plain files."""

from __future__ import annotations

import threading
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from doctor_stage import LGPIO, NOW_MS, SERIAL_SITE, Faked, complete
from site_files import loaded
from tocsin.doctor import State, examine

if TYPE_CHECKING:
    from pathlib import Path


def test_a_look_that_hangs_or_fails_is_a_finding_and_the_others_go_on(
    faked: Faked, tmp_path: Path
) -> None:
    ended = threading.Event()

    def stuck(*words: str) -> Any:
        if words[0] == "timedatectl":
            ended.wait()
        if words[0] == "systemctl":
            raise RuntimeError("broken")

    machine = replace(faked.machine, run=stuck)
    found = examine(loaded(tmp_path), machine=machine, look_s=2)
    ended.set()
    states = {f.looked_at: f.state for f in found}
    assert states["the look at clock"] is State.WRONG
    assert states["the look at service"] is State.UNTOLD
    assert {f.topic for f in found} >= {"daemon", "disk", "machine", "software"}


PI = {
    "/proc/device-tree/model": "Raspberry Pi 4 Model B Rev 1.5",
    "/boot/firmware/config.txt": "dtparam=strict_gpiod\n",
    "/proc/self/mounts": "/dev/mmcblk0p2 / ext4 rw,noatime 0 0\n",
    "/proc/meminfo": "MemTotal: 948276 kB\nMemAvailable: 500000 kB\n",
    "/sys/class/thermal/thermal_zone0/temp": "47712\n",
    "/sys/devices/platform/soc/soc:firmware/get_throttled": "0\n",
    "/sys/class/rtc/rtc0/since_epoch": f"{NOW_MS // 1000}\n",
    "/sys/class/watchdog/watchdog0/identity": "Broadcom BCM2835 Watchdog timer\n",
    "/sys/class/watchdog/watchdog0/bootstatus": "0\n",
    "/dev/watchdog": "",
    "/dev/gpiochip0": "no chip: it cannot be asked",
}


SYSTEMD = {
    "systemctl show --no-pager -p LoadState": """\
LoadState=loaded
UnitFileState=enabled
ActiveState=inactive
SubState=dead
NRestarts=0
Result=success
Restart=always
StartLimitIntervalUSec=0
WatchdogUSec=30s
User=nobody
ExecStart={{ argv[]=/opt/tocsin/bin/tocsin run {site} ; }}
""",
    "systemctl show": "RuntimeWatchdogUSec=15s\n",
    "systemd-analyze": "Overall exposure level for tocsin.service: 1.5 OK\n",
    "timedatectl show": "NTPSynchronized=yes\n",
}


def test_a_sound_board_whose_service_was_not_started_lacks_that_alone(
    faked: Faked, tmp_path: Path
) -> None:
    setup = loaded(tmp_path, SERIAL_SITE.format(device="/dev/tty") + LGPIO)
    for path, text in PI.items():
        faked.put(path, text)
    (faked.root / "dev" / "gpiochip0").chmod(0o666)
    for begin, said in SYSTEMD.items():
        faked.programs[begin] = said.format(site=setup.path)
    found = complete(examine(setup, machine=faked.machine))
    of_site = {"bus", "disk", "journal", "secrets"}
    bad = {f.looked_at: f.state for f in found if f.topic not in of_site}
    assert {what: state for what, state in bad.items() if state is not State.GOOD} == {
        "the unit tocsin.service": State.WRONG,
        "the running daemon": State.DOUBTFUL,
        f"the GPIO chip {faked.root}/dev/gpiochip0": State.UNTOLD,
        "the time of day": State.WRONG,  # this test plays before the installation
    }
