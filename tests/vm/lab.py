"""What every part of the proving ground does: boot, wish, look, write down."""

from __future__ import annotations

import json
import re
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TextIO

from tests.vm.levels import Record, read

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

    from tests.vm.build import Image
    from tests.vm.machine import Machine

SITE = "/etc/tocsin/site.toml"
TOCSIN = "/usr/local/bin/tocsin"
PYTHON = "/opt/tocsin/current/bin/python"
PINS = {"charge": 17, "drying-room": 22, "lights": 23, "horn": 27}
"""As in guest/site.toml."""
PERMITS = ("charge", "drying-room", "lights")
ACTIVE_LOW = frozenset({"drying-room"})
HEARTBEAT_PIN = 24
PULLED_UP = frozenset({22})
PATIENCE_S = 900.0


@dataclass
class Report:
    """What was found: printed at once, and kept.

    Attributes:
        file: Where it is kept.
        failed: How many checks did not hold.
    """

    say: Callable[[str], None]
    file: TextIO | None = None
    failed: int = 0

    def check(self, held: object, text: str) -> None:
        """Write down whether *text* held."""
        self.failed += not held
        self._write(f"{'ok  ' if held else 'FAIL'} {text}")

    def note(self, text: str) -> None:
        """Write down a figure."""
        self._write(f"     {text}")

    def _write(self, line: str) -> None:
        self.say(line)
        if self.file is not None:
            self.file.write(f"{line}\n")


@dataclass(frozen=True)
class Place:
    """What a part is given.

    Attributes:
        folder: For its machines' files; emptied before.
        say: For progress, which is not kept.
        cuts: How many power cuts are asked for.
    """

    image: Image
    folder: Path
    report: Report
    say: Callable[[str], None]
    cuts: int


class Lab:
    """A machine whose daemon is watched."""

    def __init__(self, machine: Machine) -> None:
        self.machine = machine

    def unit(self, name: str, unit: str = "tocsin") -> str:
        """Return a property of a unit, by systemd's name for it."""
        return self.machine.sh(f"systemctl show -P {name} {unit}").strip()

    def levels(self) -> dict[str, bool]:
        """Return whether each output is energised, from the raw levels of the chip."""
        paths = " ".join(f"/run/lab/gpio/sim_gpio{n}/value" for n in PINS.values())
        values = self.machine.sh(f"cat {paths}").split()
        return {
            name: (value == "1") is not (name in ACTIVE_LOW)
            for name, value in zip(PINS, values, strict=True)
        }

    def permits(self) -> dict[str, bool]:
        """Return the permits among `levels`."""
        now = self.levels()
        return {name: now[name] for name in PERMITS}

    def has(self, **wanted: bool) -> Callable[[], bool]:
        """Return a question: are these outputs so? ``drying_room`` for drying-room."""
        names = {name.replace("_", "-"): level for name, level in wanted.items()}

        def asked() -> bool:
            now = self.levels()
            return all(now[name] is level for name, level in names.items())

        return asked

    def all_permitted(self) -> bool:
        """Return True while every permit is given."""
        return all(self.permits().values())

    def demands(self) -> Mapping[str, bool]:
        """Return what the daemon itself says that it demands."""
        said = json.loads(self.machine.sh(f"{TOCSIN} show {SITE} --json"))
        return {row["output"]: row["energised"] for row in said["outputs"]}

    def alarms(self) -> set[str]:
        """Return the names of the alarms that the daemon shows."""
        said = json.loads(self.machine.sh(f"{TOCSIN} show {SITE} --json"))
        return {row["alarm"] for row in said["alarms"]}

    def wish(self, **packs: dict[str, Any]) -> None:
        """Have the simulated packs be so; without any they are half full and warm."""
        self.machine.write("/run/lab/bank.json", json.dumps(packs))

    def mark(self, text: str) -> None:
        """Write into the chip's record."""
        self.machine.sh(f"echo {text} > /sys/kernel/tracing/trace_marker")

    def record(self) -> Record:
        """Return what has happened on the chip since this boot."""
        text = self.machine.sh("cat /sys/kernel/tracing/trace")
        return read(text, pulled_up=PULLED_UP)

    def is_active(self) -> bool:
        """Return True while the daemon's unit is up: it has done a step."""
        return self.unit("ActiveState") == "active"

    def restart(self) -> None:
        """Have the daemon begin anew, however often this slow machine must try."""
        self.machine.sh("systemctl stop tocsin; systemctl start --no-block tocsin")
        self.until("the daemon", self.is_active)

    def until(self, what: str, done: Callable[[], bool]) -> float:
        """Wait patiently; see `Machine.until`."""
        return self.machine.until(what, done, within_s=PATIENCE_S)


def booted(lab: Lab) -> float:
    """Wait until the machine is up and the daemon decides; return s since power-on."""
    lab.machine.ready()
    lab.until("the daemon under its unit", lab.is_active)
    return time.perf_counter() - lab.machine.started_s


def seconds(text: str) -> float:
    """Return what systemd writes as ``30s`` or ``1min 30s``, in s."""
    total = 0.0
    for number, unit in re.findall(r"([\d.]+)(ms|min|s)", text):
        total += float(number) * {"ms": 0.001, "s": 1.0, "min": 60.0}[unit]
    return total
