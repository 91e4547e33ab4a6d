"""What is done in a real Debian root, and what each step must come to."""

from __future__ import annotations

import re
import shutil
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from roots import Root

SOURCE = Path(__file__).parents[2]
COPIED = ("daemon", "drivers", "config", "deploy")
COPIED_FILES = ("pyproject.toml", "README.md", "LICENSE")
SITE = "/etc/tocsin/site.toml"
JOURNAL = "/var/lib/tocsin/journal.db"

NEVER_DECIDES = '    raise SystemExit("planted: this version never decides")\n'
HANGS = "    import time\n    time.sleep(1_000)\n"
ENDS_LATER = (
    "    import os, threading\n    threading.Timer(2.5, os._exit, (1,)).start()\n"
)
NEW_SCHEMA = "CREATE TABLE planted (id INTEGER PRIMARY KEY);\n"


@dataclass
class Scene:
    """One root and the checkouts in it."""

    root: Root

    def sh(self, line: str) -> tuple[int, str]:
        done = self.root.run("sh", "-c", line)
        return done.returncode, done.stdout

    def said(self, line: str) -> str:
        return self.sh(line)[1].strip()

    def checkout(self, number: str, planted: str = "", schema: str = "") -> None:
        """Put a checkout with another version number at /src-NUMBER."""
        folder = self.root.folder / f"src-{number}"
        folder.mkdir()
        for name in COPIED:
            shutil.copytree(
                SOURCE / name, folder / name,
                ignore=shutil.ignore_patterns("__pycache__"),
            )  # fmt: skip
        for name in COPIED_FILES:
            shutil.copy(SOURCE / name, folder)
        project = folder / "pyproject.toml"
        text = project.read_text()
        project.write_text(
            re.sub(r'(?m)^version = ".*"', f'version = "{number}"', text)
        )
        if planted:
            run = folder / "daemon/tocsin/cli/run.py"
            first = "    setup = load_site(args.site)\n"
            assert first in run.read_text()
            run.write_text(run.read_text().replace(first, planted + first))
        if schema:
            steps = folder / "daemon/tocsin/journal/sql"
            newest = max(int(p.name.split("_")[0]) for p in steps.glob("*.sql"))
            (steps / f"{newest + 1:03d}_planted.sql").write_text(schema)

    def install(self, number: str, *words: str) -> tuple[int, str]:
        done = self.root.run("sh", f"/src-{number}/deploy/install.sh", *words)
        return done.returncode, done.stdout

    @property
    def current(self) -> str:
        return self.said("basename $(readlink /opt/tocsin/current)").split("-")[0]

    @property
    def is_active(self) -> bool:
        return self.sh("systemctl is-active --quiet tocsin")[0] == 0

    def simulate(self) -> None:
        """Simulate the sample's second pack, which exists in recordings only."""
        self.sh(
            f'sed -i \'s/driver = "trace".*/driver = "simulated"/; '
            f"s/port = 8460/port = 18460/' {SITE}"
        )

    def rows(self) -> int:
        """Count the journal's rows, with the version in service."""
        code, told = self.sh(f"tocsin journal {SITE} --json")
        return len(told.splitlines()) if code == 0 else -1


Step = Callable[[Scene], tuple[bool, str]]


def tail(text: str, lines: int = 2) -> str:
    """Return the last lines of *text* as one."""
    return " / ".join(line.strip() for line in text.strip().splitlines()[-lines:])


def first_install(scene: Scene) -> tuple[bool, str]:
    code, said = scene.install("0.1.0", "--try-pin", "GPIO17")
    pin = re.search(r"no pin moved: (.*)", said)
    built = re.search(r"real pins.*", said)
    is_right = code == 1 and pin is not None and not scene.is_active
    why = f"exit {code}; pin: {pin[1] if pin else tail(said, 6)}"
    return is_right, why + (f"; {built[0]}" if built else "")


def lgpio(scene: Scene) -> tuple[bool, str]:
    code, said = scene.sh(
        "cd /tmp && /opt/tocsin/current/bin/python -c "
        "'import lgpio; lgpio.gpiochip_open; print(lgpio.__file__)'"
    )
    return code == 0, tail(said, 1)


def sample_site(scene: Scene) -> tuple[bool, str]:
    code, _ = scene.sh(f"tocsin check {SITE}")
    modes = scene.said(f"stat -c '%a %U:%G' /etc/tocsin {SITE} /etc/tocsin/secrets")
    expected = "750 root:tocsin\n640 root:tocsin\n700 tocsin:tocsin"
    return code == 0 and modes == expected, f"exit {code}, {modes.split()}"


def read_by_system(scene: Scene) -> tuple[bool, str]:
    """udevadm verify is of systemd 254; the bound of the watchdog is systemd's word."""
    rules = "/etc/udev/rules.d/70-tocsin.rules"
    has_verify = "verify" in scene.said("udevadm --help")
    code, told = scene.sh(f"udevadm verify {rules}") if has_verify else (0, "")
    units = "/etc/systemd/system/tocsin"
    odd = scene.said(
        f"systemd-analyze verify --man=no {units}.service {units}-can@can0.service 2>&1"
        " | grep tocsin | grep -v 'RestartSteps\\|RestartMaxDelaySec'"
    )
    watchdog = scene.said("systemctl show --property RuntimeWatchdogUSec --value")
    words = "udev rules verified" if has_verify else "udev rules: no verify here"
    said = f"{words}, odd in units: {odd or 'nothing'}, watchdog {watchdog}"
    return code == 0 and not odd and watchdog == "14s", f"{said} {tail(told, 1)}"


def service(scene: Scene) -> tuple[bool, str]:
    """The sample's second pack exists in recordings only: it is simulated instead."""
    scene.sh(
        f'sed -i \'s/driver = "trace".*/driver = "simulated"/; '
        f"s/port = 8460/port = 18460/' {SITE}"
    )
    code, _ = scene.sh("systemctl enable --now tocsin")
    time.sleep(5)
    shown, told = scene.sh(f"tocsin show {SITE} --json")
    owner = scene.said(f"stat -c '%a %U' {JOURNAL}")
    figure = scene.said("systemd-analyze security tocsin --no-pager | tail -1")
    is_right = code == 0 and shown == 0 and '"energised": true' not in told
    is_right &= owner == "640 tocsin" and scene.rows() > 0
    said = f"exit {code}, show {shown}, {scene.rows()} rows, {owner}; {figure[2:]}"
    if not is_right:
        said += "; " + tail(scene.said("journalctl -u tocsin -o cat"), 6)
    return is_right, said


def again(scene: Scene) -> tuple[bool, str]:
    asked = "systemctl show -p MainPID --value tocsin"
    before = scene.said(asked)
    code, _ = scene.install("0.1.0")
    return code == 0 and scene.said(
        asked
    ) == before != "0", f"exit {code}, same process"


def upgrade(scene: Scene) -> tuple[bool, str]:
    scene.checkout("0.1.1")
    code, said = scene.install("0.1.1")
    is_right = code == 0 and scene.is_active and scene.current == "0.1.1"
    told = f"exit {code}, {scene.current} is in service"
    return is_right, told if is_right else f"{told}: {tail(said, 8)}"


def failed(number: str, planted: str, schema: str = "") -> Step:
    def do(scene: Scene) -> tuple[bool, str]:
        scene.checkout(number, planted, schema)
        before, rows = scene.current, scene.rows()
        code, said = scene.install(number)
        is_right = code == 1 and scene.is_active and scene.current == before
        is_right &= scene.rows() >= rows > 0
        restored = "putting back that of before" in said
        is_right &= restored is bool(schema)
        told = f"exit {code}, {scene.current} is back, {rows} rows, now {scene.rows()}"
        return is_right, told if is_right else f"{told}: {tail(said, 8)}"

    return do


def back(scene: Scene) -> tuple[bool, str]:
    code, _ = scene.install("0.1.1", "--roll-back")
    is_right = code == 0 and scene.is_active and scene.current == "0.1.0"
    return is_right, f"exit {code}, {scene.current} is in service"


def killed(scene: Scene) -> tuple[bool, str]:
    """A frozen daemon is killed by its watchdog and started again."""
    asked = "systemctl show -p MainPID --value tocsin"
    before = scene.said(asked)
    scene.sh(f"kill -STOP {before}")
    begun_s = time.monotonic()  # noqa: TID251
    while scene.said(asked) in {before, "0"} and time.monotonic() - begun_s < 90:  # noqa: TID251
        time.sleep(1)
    took_s = time.monotonic() - begun_s  # noqa: TID251
    time.sleep(3)
    return scene.is_active and took_s < 60, f"another process after {took_s:.0f} s"


def moved(scene: Scene) -> tuple[bool, str]:
    rows = scene.rows()
    one, _ = scene.sh(f"tocsin backup {SITE} /root/hut.tar.gz")
    two, _ = scene.install("0.1.1", "--uninstall")
    left = scene.said("ls /etc/tocsin/site.toml /var/lib/tocsin/journal.db | wc -l")
    gone = scene.sh("systemctl cat tocsin >/dev/null 2>&1 || test ! -e /opt/tocsin")[0]
    three, _ = scene.install("0.1.1")
    four, told = scene.sh("tocsin restore /root/hut.tar.gz --replace")
    five, _ = scene.sh("systemctl enable --now tocsin")
    codes = (one, two, three, four, five)
    is_right = codes == (0, 0, 0, 0, 0) and left == "2" and gone == 0
    is_right &= scene.is_active and scene.rows() >= rows > 0
    return is_right, f"exits {codes}, {rows} rows, then {scene.rows()}; {tail(told, 1)}"


def read_only(scene: Scene) -> tuple[bool, str]:
    line = (
        "unshare --mount sh -c 'mount -o remount,bind,ro / && "
        "exec sh /src-0.1.1/deploy/install.sh'"
    )
    code, said = scene.sh(line)
    is_right = code == 1 and "mount -o remount,rw /" in said and scene.is_active
    return is_right, f"exit {code}: {tail(said, 3)}"


def mounted(scene: Scene) -> tuple[bool, str]:
    refused, said = scene.install("0.1.1", "--read-only-root")
    is_right = refused == 1 and "no mount of its own" in said
    return is_right, f"exit {refused}: {tail(said, 4)}"


def purge(scene: Scene) -> tuple[bool, str]:
    code, _ = scene.install("0.1.1", "--uninstall", "--purge", "--yes")
    left = scene.said(
        "find / -xdev \\( -name '*tocsin*' -o -user tocsin \\) -not -path '/src-*' "
        "-not -path '/proc/*' -not -path '/house*' 2>/dev/null; getent passwd tocsin"
    )
    return code == 0 and not left, f"exit {code}, left: {left.split() or 'nothing'}"


def offline(scene: Scene) -> tuple[bool, str]:
    code, said = scene.sh("unshare --net sh /house/deploy/install.sh")
    scene.simulate()
    is_right = code == 0 and scene.sh(f"tocsin check {SITE}")[0] == 0
    is_right &= scene.sh("systemctl enable --now tocsin")[0] == 0 and scene.is_active
    told = f"exit {code}, no network; the service starts"
    return is_right, told if is_right else f"exit {code}: {tail(said, 6)}"


def emulated(scene: Scene) -> tuple[bool, str]:
    """Where no wheel of lgpio is in the house, that must be told."""
    code, said = scene.sh("sh /house/deploy/install.sh --try-pin GPIO17")
    pin = re.search(r"no pin moved: (.*)", said)
    has_wheel = any((scene.root.folder / "house/wheels").glob("lgpio-0.2*"))
    has_lgpio, _ = lgpio(scene)
    is_told = "real pins cannot be used" in said
    is_right = code == 1 and pin is not None and has_lgpio == has_wheel != is_told
    words = "lgpio imports" if has_lgpio else "no wheel of lgpio, which is told"
    why = f"exit {code}; {words}; pin: {pin[1] if pin else tail(said, 6)}"
    return is_right, why


FULL: tuple[tuple[str, Step], ...] = (
    ("install; the named pin cannot move here", first_install),
    ("lgpio imports and can open a chip", lgpio),
    ("check of the sample site, owners", sample_site),
    ("rules, units and watchdog as the system reads them", read_by_system),
    ("service: first step, sandbox, journal", service),
    ("install again", again),
    ("frozen, the watchdog starts it anew", killed),
    ("upgrade", upgrade),
    ("failed upgrade: ends at once", failed("0.1.2", NEVER_DECIDES)),
    ("failed upgrade: journal migrated, ends after 2 s",
     failed("0.1.3", ENDS_LATER, NEW_SCHEMA)),
    ("failed upgrade: hangs", failed("0.1.4", HANGS)),
    ("roll back by hand", back),
    ("backup, uninstall, install, restore", moved),
    ("install on a read-only root is refused", read_only),
    ("--read-only-root without a mount is refused", mounted),
    ("uninstall --purge", purge),
    ("install from a wheelhouse without network", offline),
)  # fmt: skip
SHORT: tuple[tuple[str, Step], ...] = (
    ("install from a wheelhouse; the named pin cannot move here", emulated),
    ("check of the sample site, owners", sample_site),
    ("uninstall --purge", purge),
)
