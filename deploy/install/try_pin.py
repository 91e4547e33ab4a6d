"""The installer's last step: open the GPIO chip; move a pin if a person named one.

Run with the Python of the installed version and with the daemon's own rights. Prints
what was seen. Exit code 0: a chip opened, and the named pin moved; 1: why not.
"""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path
from typing import Any

TIMES = 3


class NoPinError(Exception):
    """No pin can be moved here; the text says why and what to do."""


def opened_chips(devices: Path) -> list[str]:
    """Open every chip below *devices* and return one line about each."""
    chips = sorted(devices.glob("gpiochip*"))
    if not chips:
        raise NoPinError(
            f"this machine has no {devices}/gpiochip*: no kernel driver offers pins. "
            "On a Raspberry Pi that is a kernel that does not belong to the board"
        )
    try:
        import lgpio  # noqa: PLC0415 what is looked for
    except ImportError as exc:
        raise NoPinError(f"lgpio is not in this environment ({exc})") from exc
    if not hasattr(lgpio, "gpiochip_open"):
        raise NoPinError("lgpio is here and empty; version 0.2.2 or newer is needed")
    seen = []
    for chip in chips:
        if not os.access(chip, os.R_OK | os.W_OK):
            raise NoPinError(
                f"{chip} may not be opened by the daemon's user: it must belong to the "
                "group gpio (udevadm trigger, or restart the machine)"
            )
        try:
            handle = lgpio.gpiochip_open(int(chip.name.removeprefix("gpiochip")))
            _, lines, name, label = lgpio.gpio_get_chip_info(handle)
            lgpio.gpiochip_close(handle)
        except Exception as exc:
            raise NoPinError(f"{chip} does not open: {exc}") from exc
        seen.append(f"{chip} opens: {lines} lines, {name}, {label}")
    return seen


def use_of(site: Path, pin: str) -> tuple[str, bool]:
    """Return what the site file uses *pin* for, and whether it is active low."""
    from tocsin_config import SiteFileError, load  # noqa: PLC0415 slow on a small board

    try:
        setup = load(site)
    except (SiteFileError, OSError):
        return "", False
    if pin in {each.pin for each in setup.input_pins}:
        raise NoPinError(f"{pin} is an input of the site file; name an output or none")
    for each in setup.pins:
        if each.pin == pin:
            return f"output {each.output} ({each.role})", each.active_low
    return "", False


def move(pin: str, *, active_low: bool) -> None:
    """Energise and de-energise *pin* some times, read it back, and let go of it."""
    try:
        factory, device = claimed(pin, active_low=active_low)
    except Exception as exc:
        raise NoPinError(f"{pin} cannot be claimed: {_why(exc)}") from exc
    try:
        for _ in range(TIMES):
            for level in (True, False):
                device.value = level
                if bool(device.value) is not level:
                    said = "energised" if level else "de-energised"
                    raise NoPinError(f"{pin} was {said} and does not read so")
    finally:
        device.off()
        factory.close()


def claimed(pin: str, *, active_low: bool) -> tuple[Any, Any]:
    """Claim *pin* as the daemon does: de-energised from its first level on."""
    from tocsin_drivers.gpio import lines  # noqa: PLC0415 slow on a small board

    factory = lines.opened()
    return factory, lines.claimed(pin, factory, active_low=active_low)


def main(argv: list[str] | None = None, *, devices: Path = Path("/dev")) -> int:
    """Look at the chips, move the named pin, and return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("site", type=Path)
    parser.add_argument("--move", metavar="GPIOnn")
    args = parser.parse_args(argv)
    try:
        for line in opened_chips(devices):
            print(f"tocsin: {line}")
        if args.move is None:
            print("tocsin: no pin was moved, because none was named: see --try-pin")
            return 0
        used_as, is_low = use_of(args.site, args.move)
        if used_as:
            print(f"tocsin: {args.move} is {used_as}: what it is wired to moves now")
        move(args.move, active_low=is_low)
    except NoPinError as exc:
        print(f"tocsin: no pin moved: {exc}", file=sys.stderr)
        return 1
    print(f"tocsin: {args.move} moved {TIMES} times and read back what was written")
    return 0


def _why(exc: Exception) -> str:
    return str(exc) or type(exc).__name__


if __name__ == "__main__":
    sys.exit(main())
