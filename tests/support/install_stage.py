"""A root of its own to install into, with stand-ins for what would change a machine.

The installer is real; what it installs is a small wheel named tocsin whose program
behaves as told, so that an upgrade can fail in every way. Python's venv and pip are
real where a machine is told so; elsewhere a stand-in copies the program.
"""

from __future__ import annotations

import base64
import ensurepip
import hashlib
import os
import shutil
import subprocess
import sys
import sysconfig
import zipfile
from dataclasses import dataclass, field
from pathlib import Path

SOURCE = Path(__file__).parents[2]
STAND_IN = Path(__file__).with_name("systemctl_stand_in.py")

PROGRAM = '''\
"""Stands for the daemon and its commands."""
import os, pathlib, socket, sys, time
VERSION, KIND, SCHEMA = {version!r}, {kind!r}, {schema!r}
STATE = pathlib.Path(os.environ["TOCSIN_ROOT"], "var/lib/tocsin")

def schema():
    path = STATE / "journal"
    return int(path.read_text()) if path.exists() else 0

def main():
    match sys.argv[1:]:
        case ["--version"]:
            print("tocsin", VERSION)
            return 1 if KIND == "mute" else 0
        case ["check", site]:
            if KIND == "refuses":
                print(site + ", line 1, bank: unknown", file=sys.stderr)
                return 2
            return 0
        case ["journal", site, "--last", "1"]:
            return 0 if schema() <= SCHEMA else 1
        case ["backup", site, file]:
            pathlib.Path(file).write_text(str(schema()))
            return 0
        case ["restore", file, "--only", "state", "--replace"]:
            (STATE / "journal").write_text(pathlib.Path(file).read_text())
            return 0
        case ["run", site]:
            return run()
    raise SystemExit("not known: " + repr(sys.argv))

def run():
    if schema() > SCHEMA:
        return 1
    (STATE / "journal").write_text(str(SCHEMA))
    if KIND == "dies":
        print("no GPIO chip", file=sys.stderr)
        return 1
    (STATE / "running").write_text(VERSION)
    if KIND != "hangs":
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as line:
            line.sendto(b"READY=1", os.environ["NOTIFY_SOCKET"])
    time.sleep(0.05 if KIND == "dies later" else 120)
    return 0

if __name__ == "__main__":
    sys.exit(main())
'''
PYTHON = """\
case "$*" in
"-m venv"*)
    for folder; do :; done
    mkdir -p "$folder/bin"
    cp "$HOME/python" "$folder/bin/python"
    ;;
esac"""
VENV_PYTHON = f"""\
#!/bin/sh
case "$*" in
*"pip install"*) cat "$HOME/program" >"$(dirname "$0")/tocsin"
    chmod +x "$(dirname "$0")/tocsin" ;;
-c*) exit 1 ;;
*) exec {sys.executable} "$@" ;;
esac
"""

NOTED = """\
#!/bin/sh
echo "$(basename "$0") $*" >>"$STAND_IN/calls"
"""


def wheel(folder: Path, version: str, program: str) -> Path:
    """Make a wheel (PyPA binary distribution format 1.0) of a stand-in program."""
    info = f"tocsin-{version}.dist-info"
    content = {
        "tocsin_stand_in.py": program,
        f"{info}/METADATA": (
            f"Metadata-Version: 2.1\nName: tocsin\nVersion: {version}\n"
        ),
        f"{info}/WHEEL": "Wheel-Version: 1.0\nRoot-Is-Purelib: true\n"
        "Tag: py3-none-any\n",
        f"{info}/entry_points.txt": (
            "[console_scripts]\ntocsin = tocsin_stand_in:main\n"
        ),
    }
    rows = []
    path = folder / f"tocsin-{version}-py3-none-any.whl"
    with zipfile.ZipFile(path, "w") as file:
        for name, text in content.items():
            file.writestr(name, text)
            digest = hashlib.sha256(text.encode()).digest()
            hashed = base64.urlsafe_b64encode(digest).decode().rstrip("=")
            rows.append(f"{name},sha256={hashed},{len(text.encode())}")
        rows.append(f"{info}/RECORD,,")
        file.writestr(f"{info}/RECORD", "\n".join(rows) + "\n")
    return path


def summed(house: Path) -> None:
    """Write the checksums of a wheelhouse."""
    files = sorted(path for path in house.rglob("*") if path.is_file())
    lines = [
        f"{hashlib.sha256(path.read_bytes()).hexdigest()}  {path.relative_to(house)}\n"
        for path in files
        if path.name != "SHA256SUMS"
    ]
    (house / "SHA256SUMS").write_text("".join(lines))


@dataclass
class Machine:
    """A root below *folder*, and the programs that an installer calls.

    Attributes:
        environment: Added to what the installer sees.
        is_python_real: Otherwise a stand-in copies the program, much sooner.
    """

    folder: Path
    environment: dict[str, str] = field(default_factory=dict)
    is_python_real: bool = False

    def __post_init__(self) -> None:
        self.root = self.folder / "root"
        self.home = self.folder / "home"
        self.bin = self.folder / "bin"
        for each in (self.root / "opt", self.root / "etc", self.home, self.bin):
            each.mkdir(parents=True)
        (self.root / "etc/os-release").write_text("ID=debian\nVERSION_ID=12\n")
        (self.home / "calls").touch()
        self.stub("systemctl", f'exec "{sys.executable}" "{STAND_IN}" "$@"')
        self.stub("id", "echo 0")
        self.stub("getent", "exit 2")
        for name in ("apt-get", "groupadd", "useradd", "userdel", "chown"):
            self.noted(name)
        for name in ("udevadm", "modprobe", "journalctl"):
            self.noted(name)

        if not self.is_python_real:
            self.stub("python3", PYTHON)
            (self.home / "python").write_text(VENV_PYTHON)
            (self.home / "python").chmod(0o755)

    def stub(self, name: str, body: str) -> None:
        """Let the program *name* do *body*."""
        path = self.bin / name
        path.write_text(f"#!/bin/sh\n{body}\n")
        path.chmod(0o755)

    def noted(self, name: str) -> None:
        """Let the program *name* only write down how it was called."""
        (self.bin / name).write_text(NOTED)
        (self.bin / name).chmod(0o755)

    @property
    def calls(self) -> list[str]:
        return (self.home / "calls").read_text().splitlines()

    def house(self, version: str, *, kind: str = "good", schema: int = 1) -> Path:
        """Make a wheelhouse with one version, and pip from this Python's own copy."""
        house = self.folder / f"house-{version}"
        wheels = house / "wheels"
        wheels.mkdir(parents=True)
        program = PROGRAM.format(version=version, kind=kind, schema=schema)
        wheel(wheels, version, program)
        (house / "program").write_text(f"#!{sys.executable}\n{program}")
        # Debian keeps them elsewhere: configure --with-wheel-pkg-dir.
        elsewhere = sysconfig.get_config_var("WHEEL_PKG_DIR")
        bundled = Path(elsewhere or Path(ensurepip.__file__).parent / "_bundled")
        for pip in bundled.glob("pip-*.whl"):
            shutil.copy(pip, wheels)
        (house / "MADE-FOR").write_text("every machine\n")
        summed(house)
        return house

    def run(self, *words: str | Path) -> subprocess.CompletedProcess[str]:
        """Run the installer with *words*."""
        return subprocess.run(
            ["/bin/sh", SOURCE / "deploy/install.sh", *words],
            cwd=self.folder,
            env={
                "PATH": f"{self.bin}:{os.environ['PATH']}:/usr/sbin:/sbin",
                "HOME": str(self.home),
                "TOCSIN_ROOT": str(self.root),
                "TOCSIN_SETTLE_S": "0.3",
                "STAND_IN": str(self.home),
                **self.environment,
            },
            capture_output=True,
            text=True,
            stdin=subprocess.DEVNULL,
            check=False,
        )

    def install(self, house: Path, *words: str) -> subprocess.CompletedProcess[str]:
        """Run the installer on a wheelhouse."""
        shutil.copy(house / "program", self.home / "program")
        return self.run(*words, "--wheelhouse", house)

    def systemctl(self, *words: str) -> int:
        return subprocess.run(
            [self.bin / "systemctl", *words],
            env={
                **os.environ,
                "TOCSIN_ROOT": str(self.root),
                "STAND_IN": str(self.home),
                **self.environment,
            },
            check=False,
        ).returncode

    @property
    def running(self) -> str:
        """The version that runs now, by its own word."""
        if self.systemctl("is-active", "--quiet", "tocsin.service") != 0:
            return ""
        return (self.root / "var/lib/tocsin/running").read_text()

    @property
    def current(self) -> str:
        """The number of the version in service."""
        return self.link("current").split("-")[0]

    def link(self, name: str) -> str:
        path = self.root / "opt/tocsin" / name
        return path.readlink().name if path.is_symlink() else ""

    def tree(self) -> dict[str, bytes]:
        """Every file of the root and what it holds."""
        return {
            path.relative_to(self.root).as_posix(): path.read_bytes()
            for path in sorted(self.root.rglob("*"))
            if path.is_file() and not path.is_symlink()
        }
