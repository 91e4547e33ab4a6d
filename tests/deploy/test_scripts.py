"""The scripts people run first, on machines that lack something."""

from __future__ import annotations

import shutil
import subprocess
from dataclasses import dataclass, field
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
DEPLOY = ROOT / "deploy"
SCRIPTS = sorted(path.relative_to(DEPLOY).as_posix() for path in DEPLOY.rglob("*.sh"))
RUNNABLE = [name for name in SCRIPTS if "/" not in name and name != "lib.sh"]

NEEDED = (
    "mosquitto",
    "initdb",
    "openssl",
    "chromium",
    "chromedriver",
    "npm",
    "systemd-analyze",
)

PYTHON = """\
case "$*" in
*version_info*) exit {old} ;;
*ensurepip*) exit {bare} ;;
"-m venv"*) exit {stuck} ;;
esac
"""


@dataclass
class Machine:
    """A machine with few programs: plain ones, and stubs that write down their call.

    Attributes:
        calls: Each call of a stub that changes a machine, as one line.
    """

    folder: Path
    environment: dict[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.bin = self.folder / "bin"
        self.bin.mkdir()
        self._log = self.folder / "calls"
        self._log.touch()
        for name in ("dirname", "cat", "cksum", "env", "sh"):
            path = shutil.which(name)
            assert path is not None
            (self.bin / name).symlink_to(path)

    @property
    def calls(self) -> list[str]:
        return self._log.read_text().splitlines()

    def stub(self, name: str, body: str = "", *, folder: Path | None = None) -> None:
        path = (folder or self.bin) / name
        path.write_text(f"#!/bin/sh\n{body}\n")
        path.chmod(0o755)

    def noted(self, name: str, body: str = "") -> None:
        """Add a stub that writes down how it was called, and then does *body*."""
        self.stub(name, f'echo {name} "$*" >>"{self._log}"\n{body}')

    def user(self, number: int) -> None:
        self.stub("id", f"echo {number}")

    def python(self, *, is_old: bool = False, is_bare: bool = False) -> None:
        """Add a Python; a bare one lacks venv, and none can make an environment."""
        body = PYTHON.format(old=int(is_old), bare=int(is_bare), stuck=1)
        self.stub("python3", body)

    def run(self, *words: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            ["/bin/sh", *words],
            cwd=ROOT,
            env={
                "PATH": str(self.bin),
                "TOCSIN_VENV": str(self.folder / "venv"),
                **self.environment,
            },
            capture_output=True,
            text=True,
            check=False,
        )


@pytest.fixture
def machine(tmp_path: Path) -> Machine:
    """A person's machine, with no root, no sudo, no Python."""
    made = Machine(tmp_path)
    made.user(1000)
    made.noted("apt-get")
    return made


@pytest.mark.parametrize("name", SCRIPTS)
def test_each_script_is_sound_to_the_system_s_shell(name: str) -> None:
    done = subprocess.run(["/bin/sh", "-n", DEPLOY / name], check=False)
    assert done.returncode == 0


@pytest.mark.parametrize("option", ["-h", "--help"])
@pytest.mark.parametrize("name", RUNNABLE)
def test_each_script_says_how_it_is_used_and_does_nothing(
    name: str, option: str, machine: Machine
) -> None:
    done = machine.run(f"deploy/{name}", option)
    assert done.returncode == 0
    assert done.stderr == ""
    assert f"deploy/{name}" in done.stdout.splitlines()[0]
    assert len(done.stdout.splitlines()) >= 4
    assert machine.calls == []


@pytest.mark.parametrize("name", ["demo.sh", "test.sh"])
def test_without_python_it_says_which_one_is_needed(
    name: str, machine: Machine
) -> None:
    for program in NEEDED:
        machine.stub(program)
    done = machine.run(f"deploy/{name}")
    assert done.returncode == 1
    assert done.stderr == (
        "tocsin: Python 3.11 or newer is needed "
        "(Debian 12, Raspberry Pi OS 12 or newer have it)\n"
    )


def test_a_python_that_is_too_old_counts_as_none(machine: Machine) -> None:
    machine.python(is_old=True)
    done = machine.run("deploy/demo.sh")
    assert done.returncode == 1
    assert "Python 3.11 or newer is needed" in done.stderr


def test_without_venv_root_and_sudo_it_says_what_to_install(machine: Machine) -> None:
    machine.python(is_bare=True)
    done = machine.run("deploy/demo.sh")
    assert done.returncode == 1
    assert done.stderr == (
        "tocsin: missing: python3-venv. Install with: sudo apt install python3-venv\n"
    )
    assert machine.calls == []


def test_a_sudo_that_would_ask_for_a_password_is_not_used(machine: Machine) -> None:
    machine.python(is_bare=True)
    machine.stub("sudo", '[ "$1" = -n ] && exit 1; echo "asked" >&2')
    done = machine.run("deploy/demo.sh")
    assert done.returncode == 1
    assert "sudo apt install python3-venv" in done.stderr
    assert "asked" not in done.stderr
    assert machine.calls == []


@pytest.mark.parametrize("is_root", [True, False])
def test_with_root_or_a_sudo_that_asks_nothing_what_lacks_is_installed(
    is_root: bool,  # noqa: FBT001
    machine: Machine,
) -> None:
    machine.python(is_bare=True)
    if is_root:
        machine.user(0)
    else:
        machine.noted("sudo", '[ "$1" = -n ] && shift; exec "$@"')
        machine.stub("true")
    machine.run("deploy/demo.sh")
    own = [call for call in machine.calls if call.startswith("apt-get")]
    assert own == ["apt-get update -qq", "apt-get install -qq -y python3-venv"]
    assert any(call.startswith("sudo") for call in machine.calls) is not is_root


def test_an_apt_that_fails_is_one_clear_error(machine: Machine) -> None:
    machine.python(is_bare=True)
    machine.user(0)
    machine.noted("apt-get", "exit 100")
    done = machine.run("deploy/demo.sh")
    assert done.returncode == 1
    assert "tocsin: apt could not install: python3-venv\n" in done.stderr
    assert machine.calls == ["apt-get update -qq"], "it goes no further"


def test_without_apt_it_says_what_is_missing(machine: Machine) -> None:
    (machine.bin / "apt-get").unlink()
    machine.python(is_bare=True)
    done = machine.run("deploy/demo.sh")
    assert done.returncode == 1
    assert "missing: python3-venv" in done.stderr
    assert "package manager" in done.stderr


def test_without_the_broker_it_says_what_to_install(machine: Machine) -> None:
    """Asked of `need`: where this runs, a real broker may be in /usr/sbin."""
    done = machine.run("-c", ". deploy/lib.sh; need mosquitto-none mosquitto")
    assert done.returncode == 1
    assert done.stderr == (
        "tocsin: missing: mosquitto. Install with: sudo apt install mosquitto\n"
    )
    assert "need mosquitto mosquitto\n" in (DEPLOY / "test.sh").read_text()


def test_a_folder_that_cannot_be_used_is_told_with_the_way_out(
    machine: Machine,
) -> None:
    machine.python()
    done = machine.run("deploy/demo.sh")
    assert done.returncode == 1
    assert "TOCSIN_VENV=/some/folder" in done.stderr


CHECKS = {
    "ruff check": ("ruff", 'case "$1" in check) exit 1 ;; esac'),
    "ruff format": ("ruff", 'case "$1" in format) exit 1 ;; esac'),
    "mypy": ("mypy", "exit 1"),
    "import contracts": ("lint-imports", "exit 1"),
    "tests": ("python", "exit 1"),
}


@pytest.mark.parametrize("failing", [None, *CHECKS])
def test_the_checks_pass_only_if_every_one_of_them_does(
    failing: str | None, machine: Machine
) -> None:
    for program in NEEDED:
        machine.stub(program)
    machine.stub("python3")
    tools = machine.folder / "venv" / "bin"
    tools.mkdir(parents=True)
    for tool in ("python", "ruff", "mypy", "lint-imports"):
        machine.stub(tool, folder=tools)
    stamp = 'printf %s "$(cksum <pyproject.toml) [test] $(pwd)"'
    made = machine.run("-c", stamp).stdout
    (machine.folder / "venv" / "tocsin-stamp").write_text(made)
    if failing is not None:
        tool, body = CHECKS[failing]
        machine.stub(tool, body, folder=tools)
    done = machine.run("deploy/test.sh")
    assert (done.returncode == 0) is (failing is None)
    assert ("all passed" in done.stdout) is (failing is None)
    assert machine.calls == []
