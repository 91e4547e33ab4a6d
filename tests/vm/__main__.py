"""The proving ground: the installed daemon in a virtual Debian 12, and its plug pulled.

Builds the machine from Debian's packages, PyPI's wheels and this checkout, then plays
the parts one after the other. It needs root, Debian 12 on amd64, and once a network;
there is none in the machine. The first build takes a minute, a boot some 20 s.

parts, in their order:
  start    boot to the first safe step; the GPIO chip follows the core
  pulse    no pulse on any line, at start, stop, kill and restart
  frozen   a stopped daemon is killed and restarted; permits are down meanwhile
  cuts     power cuts in mid-write, with the journal, the history and the small files
  kernel   a crashed kernel is reset by the hardware watchdog
  can      SocketCAN: both CAN drivers, a link that goes down, error frames
  serial   a serial adapter that is pulled out and plugged in again
  install  the installer once more: a named pin moves, a held one does not

examples:
  python -m tests.vm                       everything
  python -m tests.vm --only start          one part; again for more
  python -m tests.vm --only cuts --cuts 5  a short look
  python -m tests.vm --result FILE         keep what was found, below the command

Exit code 0: every check held. 1: one did not, or something is missing.
"""

from __future__ import annotations

import argparse
import platform
import shutil
import subprocess
import sys
import time
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING

from tests.vm.build import ROOT, Kitchen
from tests.vm.lab import Place, Report
from tests.vm.machine import MachineError
from tests.vm.recipe import RecipeError

if TYPE_CHECKING:
    from tests.vm.build import Image

PARTS = ("start", "pulse", "frozen", "cuts", "kernel", "can", "serial", "install")
CACHE = Path("/var/tmp/tocsin-vm")


def main() -> int:
    """Play what is asked for and return the exit code."""
    args = _arguments()
    begun_s = time.perf_counter()

    def say(text: str) -> None:
        print(f"{time.perf_counter() - begun_s:6.0f} s  {text}", flush=True)

    report = Report(say)
    if args.result is not None:
        report.file = args.result.open("a", buffering=1, encoding="utf-8")
        report.file.write(f"\n$ python -m tests.vm {' '.join(sys.argv[1:])}\n")
    try:
        image = Kitchen(args.cache, say).image()
    except RecipeError as exc:
        say(f"no machine: {exc}")
        return 1
    for line in _head(image):
        report.note(line)
    for name in args.only or PARTS:
        folder = args.cache / "run" / name
        shutil.rmtree(folder, ignore_errors=True)
        report.note(f"--- {name}")
        place = Place(image, folder, report, say, args.cuts)
        try:
            import_module(f"tests.vm.parts.{name}").run(place)
        except MachineError as exc:
            report.check(False, f"{name}: {exc}")
    took_min = (time.perf_counter() - begun_s) / 60
    end = f"{report.failed} checks failed" if report.failed else "every check held"
    report.note(f"{end}; {took_min:.0f} min")
    return int(bool(report.failed))


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="python -m tests.vm",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument(
        "--only", action="append", choices=PARTS, metavar="PART", help="see above"
    )
    parser.add_argument(
        "--cuts", type=int, default=50, metavar="N", help="power cuts (%(default)s)"
    )
    parser.add_argument(
        "--cache", type=Path, default=CACHE, metavar="FOLDER",
        help="where downloads and images are kept (%(default)s, some 2 GB)",
    )  # fmt: skip
    parser.add_argument(
        "--result", type=Path, metavar="FILE", help="add what was found to it"
    )
    args: argparse.Namespace = parser.parse_args()
    return args


def _head(image: Image) -> list[str]:
    """Return what the figures were measured with."""
    emulator = subprocess.run(
        ["qemu-system-x86_64", "--version"], check=True, capture_output=True, text=True
    ).stdout.splitlines()[0]
    commit = subprocess.run(
        ["git", "-C", str(ROOT), "describe", "--always", "--dirty"],
        check=False, capture_output=True, text=True,
    ).stdout.strip()  # fmt: skip
    slow = "times in the machine are much longer than on hardware"
    return [
        f"commit {commit or 'unknown'}, Tocsin installed {image.how}",
        f"{emulator}, emulated on {platform.release()}: {slow}",
    ]


if __name__ == "__main__":
    sys.exit(main())
