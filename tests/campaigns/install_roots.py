"""Install, upgrade, fail, roll back and remove in real Debian roots.

    python -m tests.campaigns.install_roots                       # all of it, an hour
    python -m tests.campaigns.install_roots --only bookworm-amd64
    python -m tests.campaigns.install_roots --result tests/campaigns/results/FILE.txt

Needs root, internet, mmdebstrap and, for ARM, qemu-user-static and arch-test. amd64
roots are booted with their own systemd; ARM ones are entered under emulation, with a
stand-in for systemctl, and only installed into. Roots are cached (--cache). This
machine's way to its mirrors is bound into a root, never written into it. Exit code 0:
every step did what it should, 1: some did not, or a root could not be had.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import time
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

from install_steps import FULL, SHORT, SOURCE, Scene, tail
from roots import QEMU, RootError, entered, packed

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

ROOTS = (
    *("bookworm-amd64", "trixie-amd64"),
    *("bookworm-arm64", "bookworm-armhf", "trixie-arm64", "trixie-armhf"),
)
PYTHONS = {"bookworm": "3.11", "trixie": "3.13"}
MACHINES = {"amd64": "x86_64", "arm64": "aarch64", "armhf": "armv7l"}
STAND_IN = """\
#!/bin/sh
case "$1" in is-active) exit 3 ;; esac
exit 0
"""


@dataclass
class Report:
    """What every step came to."""

    root: str
    rows: list[tuple[str, bool, float, str]] = field(default_factory=list)

    def step(self, name: str, do: Callable[[], tuple[bool, str]]) -> bool:
        """Do one step and keep what it came to; an error is one that failed."""
        begun_s = time.monotonic()  # noqa: TID251 no clock of the daemon's
        try:
            is_right, said = do()
        except (OSError, subprocess.SubprocessError, RootError) as exc:
            is_right, said = False, f"{type(exc).__name__}: {exc}"
        took_s = time.monotonic() - begun_s  # noqa: TID251
        self.rows.append((name, is_right, took_s, said))
        mark = "ok  " if is_right else "FAIL"
        print(f"{self.root:<15} {mark} {took_s:6.0f} s  {name}: {said}", flush=True)
        return is_right


def house(cache: Path, suite: str, arch: str) -> Path:
    """Make a fresh wheelhouse for a root."""
    folder = cache / f"house-{suite}-{arch}"
    shutil.rmtree(folder, ignore_errors=True)
    done = subprocess.run(
        ["sh", SOURCE / "deploy/wheelhouse.sh", "--arch", MACHINES[arch],
         "--python", PYTHONS[suite], folder],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    if done.returncode != 0:
        raise RootError(f"no wheelhouse: {tail(done.stderr)}")
    return folder


def play(name: str, cache: Path) -> Report:
    """Do every step in one root."""
    suite, arch = name.split("-")
    report = Report(name)
    tars: list[Path] = []

    def make() -> tuple[bool, str]:
        tars.append(packed(cache, suite, arch, print))
        return True, f"{tars[0].stat().st_size // 1_000_000} MB"

    if not report.step("a root of Debian's packages", make):
        return report
    folder = cache / f"root-{name}-{os.getpid()}"
    try:
        wheels = house(cache, suite, arch)
        with entered(tars[0], folder, arch=arch) as root:
            scene = Scene(root)
            scene.checkout("0.1.0")
            if arch in QEMU:
                shutil.copytree(folder / "src-0.1.0", folder / "src-0.1.1")
                stand_in = folder / "usr/local/sbin/systemctl"
                stand_in.parent.mkdir(parents=True, exist_ok=True)
                stand_in.write_text(STAND_IN)
                stand_in.chmod(0o755)
            shutil.copytree(wheels, folder / "house")
            for step, do in SHORT if arch in QEMU else FULL:
                report.step(step, lambda do=do: do(scene))  # type: ignore[misc]
    except RootError as exc:
        why = str(exc)
        report.step("enter the root", lambda: (False, why))
    return report


def table(reports: Sequence[Report]) -> str:
    """Return everything as a text to keep."""
    now = datetime.now(UTC).strftime("%Y-%m-%d %H:%M UTC")  # noqa: TID251
    lines = [
        "Install, upgrade, failed upgrade, roll back, remove in Debian roots",
        f"{now}; python -m tests.campaigns.install_roots",
        "amd64: booted with their own systemd. arm64, armhf: under qemu's user mode,",
        "with a stand-in for systemctl, so without the steps that need a service.",
        "No root has a GPIO chip: that a named pin cannot move, and why, is told.",
        "",
    ]
    for report in reports:
        for name, is_right, took_s, said in report.rows:
            mark = "ok" if is_right else "FAIL"
            lines.append(f"{report.root:<15} {mark:<4} {took_s:5.0f} s  {name}: {said}")
        lines.append("")
    steps = [row for report in reports for row in report.rows]
    right = sum(row[1] for row in steps)
    lines.append(f"{right} of {len(steps)} steps right")
    return "\n".join(lines) + "\n"


def main() -> int:
    """Play every root, print a table, and return the exit code."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--only", nargs="+", choices=ROOTS, default=ROOTS)
    parser.add_argument("--cache", type=Path, default=Path("/var/tmp/tocsin-roots"))
    parser.add_argument("--result", type=Path, help="keep the table in this file")
    args = parser.parse_args()
    if os.geteuid() != 0 or shutil.which("mmdebstrap") is None:
        print("needs root and mmdebstrap", file=sys.stderr)
        return 1
    reports = []
    for name in args.only:
        reports.append(play(name, args.cache))
        if args.result is not None:
            args.result.write_text(table(reports))
    print("\n" + table(reports))
    return 0 if all(row[1] for each in reports for row in each.rows) else 1


if __name__ == "__main__":
    sys.exit(main())
