"""Makes the hardware that this machine lacks: a GPIO chip and a CAN bus.

The chip is the kernel's gpio-sim, named and numbered like the header of a Raspberry
Pi. Every write to it is recorded by kernel probes on the driver's own functions, so no
pulse is too short to be seen. The board's external pull resistors hold each line where
its relay is off: high for an active-low one.
"""

from __future__ import annotations

import os
import subprocess
import time
from pathlib import Path

LINES = 28
PULLED_UP = (22,)
"""Lines of active-low relays, as the site file has them."""
CONFIG = Path("/sys/kernel/config/gpio-sim/lab")
TRACE = Path("/sys/kernel/tracing")
RUN = Path("/run/lab")
PROBES = """\
p:lab/set gpio_sim_set offset=%si:u32 level=%dx:s32
p:lab/many gpio_sim_set_multiple mask=+0(%si):u64 bits=+0(%dx):u64
p:lab/out gpio_sim_direction_output offset=%si:u32 level=%dx:s32
p:lab/in gpio_sim_direction_input offset=%si:u32
p:lab/free gpio_sim_free offset=%si:u32
p:lab/bias gpio_sim_set_config offset=%si:u32 config=%dx:u64
"""
BOARD = "\nHardware\t: BCM2835\nRevision\t: c03111\n"
"""What gpiozero looks for to know the header: that of a Raspberry Pi 4."""


def sh(*command: str) -> None:
    subprocess.run(command, check=True)


def chip() -> Path:
    """Make the GPIO chip and return its folder in sysfs."""
    sh("modprobe", "gpio-sim")
    for _ in range(200):
        if CONFIG.parent.exists():
            break
        time.sleep(0.05)
    bank = CONFIG / "bank0"
    bank.mkdir(parents=True)
    (bank / "num_lines").write_text(str(LINES))
    (bank / "label").write_text("pinctrl-bcm2711")
    for n in range(LINES):
        line = bank / f"line{n}"
        line.mkdir()
        (line / "name").write_text(f"GPIO{n}")
    (CONFIG / "live").write_text("1")
    device, name = (
        (p).read_text().strip() for p in (CONFIG / "dev_name", bank / "chip_name")
    )
    return Path("/sys/devices/platform") / device / name


def main() -> None:
    RUN.mkdir(exist_ok=True)
    found = chip()
    (RUN / "gpio").symlink_to(found)
    for n in PULLED_UP:
        (found / f"sim_gpio{n}" / "pull").write_text("pull-up")
    if not (TRACE / "trace").exists():
        sh("mount", "-t", "tracefs", "none", str(TRACE))
    (TRACE / "trace_clock").write_text("mono")
    (TRACE / "buffer_size_kb").write_text("4096")
    for probe in PROBES.splitlines():
        events = os.open(TRACE / "kprobe_events", os.O_WRONLY | os.O_APPEND)
        os.write(events, f"{probe}\n".encode())
        os.close(events)
    (TRACE / "events/lab/enable").write_text("1")
    (RUN / "cpuinfo").write_text(Path("/proc/cpuinfo").read_text() + BOARD)
    sh("modprobe", "-a", "vcan", "can-raw")
    sh("ip", "link", "add", "vcan0", "type", "vcan")
    sh("ip", "link", "set", "vcan0", "up")
    sh("udevadm", "settle")


if __name__ == "__main__":
    main()
