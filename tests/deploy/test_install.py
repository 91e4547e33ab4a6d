"""Install, upgrade, roll back and remove, in a root of its own with a real venv."""

from __future__ import annotations

import subprocess
from typing import TYPE_CHECKING

import pytest

from install_stage import SOURCE, Machine

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@pytest.fixture
def machine(tmp_path: Path) -> Iterator[Machine]:
    made = Machine(tmp_path)
    yield made
    made.systemctl("stop", "tocsin.service")


LENT = "def gpiochip_open(): ...\ndef gpio_claim_output(): ...\n"


def test_with_a_real_python_an_environment_is_made_of_wheels_and_a_lent_lgpio(
    tmp_path: Path,
) -> None:
    """No apt, no index, no ensurepip: pip runs out of its own wheel."""
    machine = Machine(tmp_path, is_python_real=True)
    system = machine.root / "usr/lib/python3/dist-packages"
    system.mkdir(parents=True)
    (system / "lgpio.py").write_text(LENT)
    (system / "_lgpio.cpython.so").touch()
    (system / "pydantic.py").write_text("raise ImportError('of the system')")
    done = machine.install(machine.house("1.0"))
    assert done.returncode == 0, done.stderr
    environment = machine.root / "opt/tocsin/versions" / machine.link("current")
    assert (environment / "pyvenv.cfg").read_text().startswith("home = ")
    program = environment / "bin/tocsin"
    assert program.read_text().startswith(f"#!{environment}/bin/python")
    said = subprocess.run([program, "--version"], capture_output=True, check=True,
        env={"TOCSIN_ROOT": str(machine.root)})  # fmt: skip
    assert said.stdout == b"tocsin 1.0\n"
    assert "real pins: lgpio of this system, lent to the environment" in done.stdout
    links = {path.name for path in environment.rglob("*") if path.is_symlink()}
    assert {"lgpio.py", "_lgpio.cpython.so"} <= links
    assert "pydantic.py" not in links, "nothing else of the system comes along"
    assert not any(call.startswith("apt-get") for call in machine.calls)


def begun(machine: Machine) -> None:
    """Install version 1 and start it, as a person would."""
    done = machine.install(machine.house("1.0"))
    assert done.returncode == 0, done.stderr
    assert machine.systemctl("restart", "tocsin.service") == 0
    assert machine.running == "1.0"


def test_a_first_install_puts_everything_in_its_place_and_starts_nothing(
    machine: Machine,
) -> None:
    done = machine.install(machine.house("1.0"))
    assert done.returncode == 0, done.stderr
    assert machine.current == "1.0"
    assert machine.running == ""
    assert "Not started. Next:" in done.stdout
    assert "real pins cannot be used" in done.stderr, "there is no lgpio in this house"
    root = machine.root
    for path, mode in {
        "etc/tocsin": 0o750,
        "etc/tocsin/site.toml": 0o640,
        "etc/tocsin/secrets": 0o700,
        "var/lib/tocsin": 0o750,
        "etc/systemd/system/tocsin.service": 0o644,
        "etc/systemd/system/tocsin-can@.service": 0o644,
        "etc/udev/rules.d/70-tocsin.rules": 0o644,
        "etc/modules-load.d/tocsin.conf": 0o644,
        "etc/systemd/system.conf.d/90-tocsin.conf": 0o644,
        "etc/systemd/journald.conf.d/90-tocsin.conf": 0o644,
    }.items():
        assert (root / path).stat().st_mode & 0o777 == mode, path
    command = root / "usr/local/bin/tocsin"
    assert str(command.readlink()) == "/opt/tocsin/current/bin/tocsin"
    assert "groupadd --system gpio" in machine.calls
    assert any(call.startswith("useradd --system") for call in machine.calls)
    assert f"chown -R root:tocsin {root}/etc/tocsin" in machine.calls
    assert f"chown -R tocsin:tocsin {root}/etc/tocsin/secrets" in machine.calls
    assert f"chown tocsin:tocsin {root}/var/lib/tocsin" in machine.calls
    assert not any(call.startswith("apt-get") for call in machine.calls)


def test_installing_again_changes_nothing_and_leaves_the_daemon_alone(
    machine: Machine,
) -> None:
    begun(machine)
    (machine.root / "etc/tocsin/site.toml").write_text("# the person's own\n")
    before, calls = machine.tree(), len(machine.calls)
    done = machine.install(machine.folder / "house-1.0")
    assert done.returncode == 0, done.stderr
    assert "it was in service already" in done.stdout
    assert machine.tree() == before
    assert machine.running == "1.0"
    later = machine.calls[calls:]
    assert not any(" restart " in call or " stop " in call for call in later)


def test_what_was_damaged_in_the_system_s_folders_is_put_right_again(
    machine: Machine,
) -> None:
    begun(machine)
    unit = machine.root / "etc/systemd/system/tocsin.service"
    sound = unit.read_text()
    unit.write_text("[Service]\n")
    (machine.root / "usr/local/bin/tocsin").unlink()
    assert machine.install(machine.folder / "house-1.0").returncode == 0
    assert unit.read_text() == sound
    assert (machine.root / "usr/local/bin/tocsin").is_symlink()


def test_a_secret_that_others_could_read_is_shut_away(machine: Machine) -> None:
    begun(machine)
    secret = machine.root / "etc/tocsin/secrets/mqtt"
    secret.write_text("sesame")
    secret.chmod(0o644)
    assert machine.install(machine.folder / "house-1.0").returncode == 0
    assert secret.stat().st_mode & 0o777 == 0o600


def test_an_upgrade_is_in_service_once_it_decides_and_the_old_one_is_kept(
    machine: Machine,
) -> None:
    begun(machine)
    done = machine.install(machine.house("1.1"))
    assert done.returncode == 0, done.stderr
    assert machine.running == machine.current == "1.1"
    assert machine.link("previous").startswith("1.0-")
    assert "every permit drops" in done.stdout
    backups = list((machine.root / "var/lib/tocsin/backups").iterdir())
    assert [path.name for path in backups] == [
        f"before-{machine.link('current')}.tar.gz"
    ]
    third = machine.install(machine.house("1.2"))
    assert third.returncode == 0, third.stderr
    versions = {
        path.name.split("-")[0]
        for path in (machine.root / "opt/tocsin/versions").iterdir()
    }
    assert versions == {"1.1", "1.2"}, "the one before the previous is gone"


def test_an_upgrade_of_a_stopped_daemon_starts_nothing(machine: Machine) -> None:
    begun(machine)
    machine.systemctl("stop", "tocsin.service")
    done = machine.install(machine.house("1.1"))
    assert done.returncode == 0, done.stderr
    assert machine.current == "1.1"
    assert machine.running == ""


def test_an_upgrade_mends_a_daemon_that_is_started_again_and_again(
    machine: Machine,
) -> None:
    assert machine.install(machine.house("1.0", kind="dies")).returncode == 0
    (machine.home / "looping").touch()
    done = machine.install(machine.house("1.1"))
    assert done.returncode == 0, done.stderr
    assert machine.running == "1.1"


def test_if_the_old_version_does_not_start_either_that_is_said(
    machine: Machine,
) -> None:
    assert machine.install(machine.house("1.0", kind="dies")).returncode == 0
    (machine.home / "looping").touch()
    done = machine.install(machine.house("1.1", kind="dies"))
    assert done.returncode == 1
    assert "does not start either: every permit is down" in done.stderr
    assert machine.current == "1.0"


def test_a_first_version_that_fails_has_none_to_go_back_to(machine: Machine) -> None:
    (machine.home / "looping").touch()
    done = machine.install(machine.house("1.0", kind="dies"))
    assert done.returncode == 1
    assert "there is none to go back to" in done.stderr
    assert machine.current == "1.0"


@pytest.mark.parametrize("kind", ["dies", "hangs", "dies later"])
def test_a_version_that_does_not_reach_or_keep_its_first_safe_step_is_taken_back(
    kind: str, machine: Machine
) -> None:
    begun(machine)
    if kind == "hangs":
        machine.environment["STAND_IN_START_S"] = "3"
    done = machine.install(machine.house("1.1", kind=kind))
    assert done.returncode == 1
    assert machine.running == machine.current == "1.0"
    assert machine.link("previous") == "", "as it was before"
    assert "rolling back to version 1.0-" in done.stderr
    assert "did not reach its first safe step, or did not stay" in done.stderr
    assert "put version 1.1-" in done.stderr, "it says which step"
    assert "runs as before; mend what is said above" in done.stderr
    assert "journalctl --unit tocsin.service" in "\n".join(machine.calls)


def test_a_journal_that_the_old_version_cannot_read_any_more_is_put_back(
    machine: Machine,
) -> None:
    begun(machine)
    journal = machine.root / "var/lib/tocsin/journal"
    assert journal.read_text() == "1"
    house = machine.house("2.0", kind="dies", schema=2)
    done = machine.install(house)
    assert done.returncode == 1
    assert "putting back that of before" in done.stderr
    assert journal.read_text() == "1"
    assert machine.running == "1.0"


@pytest.mark.parametrize(
    ("kind", "step", "why"),
    [
        ("refuses", "check the site file", "does not take /etc/tocsin/site.toml"),
        ("mute", "build version 1.1", "does not even say its name"),
    ],
)
def test_a_version_that_cannot_serve_is_never_switched_to(
    kind: str, step: str, why: str, machine: Machine
) -> None:
    begun(machine)
    calls = len(machine.calls)
    done = machine.install(machine.house("1.1", kind=kind))
    assert done.returncode == 1
    assert why in done.stderr
    assert step in done.stderr
    assert machine.running == machine.current == "1.0"
    assert not any(" restart " in call for call in machine.calls[calls:])


def test_one_goes_back_by_hand_and_forth_again(machine: Machine) -> None:
    begun(machine)
    assert machine.install(machine.house("1.1")).returncode == 0
    back = machine.run("--roll-back")
    assert back.returncode == 0, back.stderr
    assert machine.running == machine.current == "1.0"
    assert machine.link("previous").startswith("1.1-")
    forth = machine.run("--roll-back")
    assert forth.returncode == 0, forth.stderr
    assert machine.running == "1.1"


def test_without_a_previous_version_there_is_no_way_back(machine: Machine) -> None:
    begun(machine)
    done = machine.run("--roll-back")
    assert done.returncode == 1
    assert "no previous version" in done.stderr
    assert machine.running == "1.0"


def test_uninstalling_leaves_what_a_person_wrote_and_what_was_recorded(
    machine: Machine,
) -> None:
    begun(machine)
    done = machine.run("--uninstall")
    assert done.returncode == 0, done.stderr
    assert machine.running == ""
    left = set(machine.tree()) - {"etc/os-release", "run/tocsin-install.lock"}
    assert left == {
        *("etc/tocsin/site.toml", "etc/tocsin/can/can0.conf.example"),
        *("var/lib/tocsin/journal", "var/lib/tocsin/running"),
    }
    assert not (machine.root / "usr/local/bin/tocsin").is_symlink()
    assert "kept: /etc/tocsin" in done.stdout
    again = machine.run("--uninstall")
    assert again.returncode == 0, again.stderr


def test_purging_needs_a_yes_and_then_leaves_nothing(machine: Machine) -> None:
    begun(machine)
    before = machine.tree()
    done = machine.run("--uninstall", "--purge")
    assert done.returncode == 2
    assert "--yes" in done.stderr
    assert machine.tree() == before
    assert machine.running == "1.0"
    machine.stub("getent", "exit 0")
    done = machine.run("--uninstall", "--purge", "--yes")
    assert done.returncode == 0, done.stderr
    assert set(machine.tree()) == {"etc/os-release", "run/tocsin-install.lock"}
    assert "userdel tocsin" in machine.calls


def test_a_damaged_wheelhouse_changes_nothing(machine: Machine) -> None:
    house = machine.house("1.0")
    with next((house / "wheels").glob("tocsin-*")).open("ab") as file:
        file.write(b"more")
    before = machine.tree()
    done = machine.install(house)
    assert done.returncode == 1
    assert "damaged" in done.stderr
    before["run/tocsin-install.lock"] = b""
    assert machine.tree() == before


def test_a_dry_run_says_every_step_and_takes_none(machine: Machine) -> None:
    before = machine.tree()
    done = machine.run("--dry-run", "--wheelhouse", machine.house("1.0"))
    assert done.returncode == 0, done.stderr
    steps = "\n".join(
        line[2:] for line in done.stdout.splitlines() if line.startswith("+ ")
    )
    for said in (
        "groupadd --system gpio",
        "useradd --system",
        "python3 -m venv",
        "pip install",
        "tocsin.service",
        "systemctl daemon-reload",
        "try_pin.py",
    ):
        assert said in steps, said
    assert "dry run: nothing was installed or changed" in done.stdout
    assert machine.tree() == before
    assert all(call.startswith("systemctl is-active ") for call in machine.calls)


def test_it_wants_root(machine: Machine) -> None:
    machine.stub("id", "echo 1000")
    before = machine.tree()
    done = machine.run()
    assert done.returncode == 1
    assert done.stderr == "tocsin: run as root: sudo sh deploy/install.sh\n"
    assert machine.tree() == before


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--dry"], "unknown option --dry"),
        (["--purge"], "goes with --uninstall"),
        (["--wheelhouse"], "needs a value"),
        (["--wheelhouse", "/nowhere"], "no folder"),
        (["--try-pin", "17"], "write GPIO17"),
        (["--try-pin", "GPIO17;reboot"], "write GPIO17"),
    ],
)
def test_wrong_arguments_end_with_2_and_change_nothing(
    words: list[str], said: str, machine: Machine
) -> None:
    before = machine.tree()
    done = machine.run(*words)
    assert done.returncode == 2
    assert said in done.stderr
    assert "--help" in done.stderr
    assert machine.tree() == before
    assert machine.calls == []


def test_two_installers_at_once_do_not_meet(machine: Machine) -> None:
    (machine.root / "run").mkdir()
    lock = machine.root / "run/tocsin-install.lock"
    with subprocess.Popen(
        ["flock", lock, "sh", "-c", "echo held; read line"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    ) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == b"held\n"
        done = machine.install(machine.house("1.0"))
        holder.communicate(b"\n")
    assert done.returncode == 1
    assert "another installation is going on" in done.stderr


FINDMNT = """\
case "$*" in
*--mountpoint*) {state} ;;
*FSTYPE*) echo ext4 ;;
*) echo rw,relatime ;;
esac"""


@pytest.mark.parametrize(
    ("state", "why"),
    [
        ("exit 1", "no mount of its own"),
        ("echo tmpfs rw", "a power cut would take the journal along"),
        ("echo ext4 noatime,ro", "mounted read-only"),
    ],
)
def test_a_read_only_root_is_refused_where_no_journal_could_be_kept(
    state: str, why: str, machine: Machine
) -> None:
    machine.stub("findmnt", FINDMNT.format(state=state))
    done = machine.install(machine.house("1.0"), "--read-only-root")
    assert done.returncode == 1
    assert why in done.stderr
    assert not (machine.root / "opt/tocsin").exists()


def test_a_read_only_root_waits_for_its_mount_and_logs_to_memory(
    machine: Machine,
) -> None:
    machine.stub("findmnt", FINDMNT.format(state="echo ext4 rw,noatime"))
    done = machine.install(machine.house("1.0"), "--read-only-root")
    assert done.returncode == 0, done.stderr
    system = machine.root / "etc/systemd"
    waits = system / "system/tocsin.service.d/read-only-root.conf"
    assert "RequiresMountsFor=/var/lib/tocsin" in waits.read_text()
    volatile = system / "journald.conf.d/91-tocsin-volatile.conf"
    assert "Storage=volatile" in volatile.read_text()
    assert "/etc/fstab" in done.stdout


def test_a_pin_that_was_named_and_does_not_move_is_a_failure(machine: Machine) -> None:
    """Here is no lgpio in the environment, or no chip: either is told."""
    done = machine.install(machine.house("1.0"), "--try-pin", "GPIO17")
    assert done.returncode == 1
    assert "no pin moved: " in done.stderr
    assert machine.current == "1.0", "all else is done"


def test_every_file_that_the_installer_puts_is_taken_away_again() -> None:
    placed = (SOURCE / "deploy/install/switch.sh").read_text()
    placed += (SOURCE / "deploy/install/readonly.sh").read_text()
    removed = (SOURCE / "deploy/install/remove.sh").read_text()
    targets = [
        word.strip('"')
        for line in placed.replace("\\\n", " ").splitlines()
        if line.strip().startswith("put ")
        for word in line.split()[3:]
    ]
    assert len(targets) >= 8
    for target in targets:
        assert target in removed, target
