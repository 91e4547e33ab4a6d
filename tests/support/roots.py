"""Debian roots to install into: made from Debian's packages, booted or emulated.

A booted root runs its own systemd as process 1 of its own namespaces (process, mount,
host name, cgroup), on this machine's kernel and network. An emulated one has another
processor's programs, run by qemu's user mode: the kernel's binfmt_misc of a user
namespace of its own, so nothing of this machine is changed (Linux 6.7 or newer).
"""

from __future__ import annotations

import os
import shutil
import subprocess
import time
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

CGROUPS = (Path("/sys/fs/cgroup/unified"), Path("/sys/fs/cgroup"))
HANDED_IN = (
    "/etc/resolv.conf",
    "/etc/hosts",
    "/etc/pip.conf",
    "/etc/xdg/pip/pip.conf",
    "/etc/xdg/pip/constraints.txt",
    "/etc/ssl/certs/ca-certificates.crt",
)
"""How this machine reaches its package mirrors; bound into a root, never copied."""

HANDED_ON = ("PIP_", "SSL_CERT_", "HTTP_", "HTTPS_", "NO_", "http", "https", "no_")
QEMU = {"arm64": "aarch64", "armhf": "arm"}
BOOT_S = 90.0
PACKAGES = "ca-certificates,procps,iproute2"
BOOTED = f"{PACKAGES},systemd,systemd-sysv,udev,dbus"
UNPACKED = (
    f"{PACKAGES},python3-venv,libc-bin,coreutils,bash,dash,findutils,grep,sed,passwd,"
    "login,util-linux,base-files,base-passwd,tar,gzip"
)
"""Under emulation packages are unpacked and not configured: that would take an hour."""


INSIDE = """
set -e
R=$1
mount --make-rprivate /
mount --bind "$R" "$R"
mount -t proc proc "$R/proc" 2>/dev/null || mount --rbind /proc "$R/proc"
mount -t sysfs -o ro sysfs "$R/sys" 2>/dev/null || mount --rbind /sys "$R/sys"
mount -t tmpfs -o mode=755 tmpfs "$R/dev"
for n in null zero full random urandom tty; do
    touch "$R/dev/$n"
    mount --bind "/dev/$n" "$R/dev/$n"
done
mkdir "$R/dev/pts" "$R/dev/shm"
mount -t devpts -o newinstance,ptmxmode=666 devpts "$R/dev/pts"
ln -s pts/ptmx "$R/dev/ptmx"
ln -s /proc/self/fd "$R/dev/fd"
mount -t tmpfs tmpfs "$R/dev/shm"
mount -t tmpfs -o mode=755 tmpfs "$R/run"
mount -t tmpfs -o mode=1777 tmpfs "$R/tmp"
shift
for file; do
    mkdir -p "$(dirname "$R$file")"
    [ -e "$R$file" ] || touch "$R$file"
    mount --bind "$file" "$R$file"
done
"""
BOOT = """
mount -t cgroup2 cgroup2 "$R/sys/fs/cgroup"
exec chroot "$R" /usr/bin/env -i container=other PATH=/usr/sbin:/usr/bin \
    /lib/systemd/systemd --log-target=null --show-status=0
"""
STAY = "echo here; exec sleep infinity"
EMULATE = """
set -e
mount -t binfmt_misc none /proc/sys/fs/binfmt_misc
printf '%s' "$1" >/proc/sys/fs/binfmt_misc/register
shift
exec "$@"
"""


class RootError(Exception):
    """A root cannot be made or entered; the text says why."""


@dataclass
class Root:
    """A root that is entered.

    Attributes:
        folder: Where it lies, seen from outside.
        pid: A process inside of its namespaces.
        is_booted: It has a systemd of its own.
    """

    folder: Path
    pid: int
    is_booted: bool

    def run(
        self, *words: str, timeout_s: float = 1_800
    ) -> subprocess.CompletedProcess[str]:
        """Run a command inside; what it says comes back as one text."""
        into = ["nsenter", "--target", str(self.pid), "--all"]
        into += ["--root", "--wd"] if self.is_booted else ["chroot", str(self.folder)]
        kept = {k: v for k, v in os.environ.items() if k.startswith(HANDED_ON)}
        return subprocess.run(
            [*into, "/usr/bin/env", "-i", *(f"{k}={v}" for k, v in kept.items()),
             "PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin",
             "HOME=/root", "LANG=C.UTF-8", "TERM=dumb", *words],
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
            stdin=subprocess.DEVNULL, timeout=timeout_s, check=False,
        )  # fmt: skip


def packed(cache: Path, suite: str, arch: str, say: Callable[[str], None]) -> Path:
    """Return the tar file of a root, which is made if it is not there yet.

    Raises:
        RootError: mmdebstrap failed.
    """
    tar = cache / f"{suite}-{arch}.tar"
    if tar.exists():
        return tar
    say(f"making {tar.name} from Debian's packages")
    cache.mkdir(parents=True, exist_ok=True)
    begun = tar.with_suffix(".part.tar")
    variant, packages = ("extract", UNPACKED) if arch in QEMU else ("minbase", BOOTED)
    words = [
        *("nice", "-n", "10", "mmdebstrap", "--mode=root", f"--variant={variant}"),
        *(f"--arch={arch}", f"--include={packages}", "--skip=check/qemu"),
        *(suite, str(begun), "http://deb.debian.org/debian"),
    ]
    if arch in QEMU:
        with _emulating(arch, words, subprocess.DEVNULL) as child:
            _, said = child.communicate()
        code = child.returncode
    else:
        done = subprocess.run(words, capture_output=True, text=True, check=False)
        code, said = done.returncode, done.stderr
    if code != 0:
        last = "\n".join(said.splitlines()[-5:])
        raise RootError(f"no root of {suite} for {arch}: {last}")
    begun.rename(tar)
    return tar


@contextmanager
def entered(tar: Path, folder: Path, *, arch: str) -> Iterator[Root]:
    """Unpack *tar* into *folder*, boot or enter it, and remove it at the end.

    Raises:
        RootError: it does not come up.
    """
    folder.mkdir(parents=True)
    handed = [path for path in HANDED_IN if Path(path).exists()]
    try:
        subprocess.run(["tar", "-C", folder, "-xpf", tar], check=True)
        if arch in QEMU:
            for name in ("passwd", "group"):  # what base-passwd's own script does
                master = folder / f"usr/share/base-passwd/{name}.master"
                shutil.copy(master, folder / "etc" / name)
            words = ["sh", "-c", INSIDE + STAY, "sh", str(folder), *handed]
            with _emulating(arch, words, subprocess.PIPE) as child:
                assert child.stdout is not None
                if child.stdout.readline().strip() != "here":
                    raise RootError(f"{tar.name} cannot be entered")
                try:
                    yield Root(folder, child.pid, is_booted=False)
                finally:
                    child.kill()
        else:
            with _booted(folder, handed) as pid:
                yield Root(folder, pid, is_booted=True)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


@contextmanager
def _booted(folder: Path, handed: Sequence[str]) -> Iterator[int]:
    top = next(path for path in CGROUPS if (path / "cgroup.controllers").exists())
    group = top / f"tocsin-{os.getpid()}-{folder.name}"
    group.mkdir()
    words = [
        *("unshare", "--fork", "--kill-child", "--pid", "--mount", "--uts", "--ipc"),
        *("--cgroup", "sh", "-c", INSIDE + BOOT, "sh", str(folder), *handed),
    ]

    def join() -> None:
        (group / "cgroup.procs").write_text("0")

    child = subprocess.Popen(words, preexec_fn=join, stdin=subprocess.DEVNULL)  # noqa: PLW1509 a single thread
    try:
        pid = _inmost(child.pid)
        root = Root(folder, pid, is_booted=True)
        ends_s = time.monotonic() + BOOT_S  # noqa: TID251 no clock of the daemon's
        while "running" not in (
            said := root.run("systemctl", "is-system-running").stdout
        ):
            if time.monotonic() > ends_s or child.poll() is not None:  # noqa: TID251
                raise RootError(f"{folder.name} does not boot: {said.strip()}")
            time.sleep(1)
        yield pid
    finally:
        child.kill()
        child.wait()
        _leave(group)


def _leave(group: Path) -> None:
    """Remove a group of processes that are ending, and those below it."""
    for _ in range(50):
        for each in sorted(group.rglob("*"), reverse=True):
            if each.is_dir():
                _try_rmdir(each)
        if _try_rmdir(group):
            return
        time.sleep(0.1)


def _try_rmdir(path: Path) -> bool:
    try:
        path.rmdir()
    except OSError:
        return False
    return True


def _inmost(pid: int) -> int:
    """Return the first child of *pid* if it gets one soon, else *pid*."""
    children = Path(f"/proc/{pid}/task/{pid}/children")
    for _ in range(100):
        if words := children.read_text().split():
            return int(words[0])
        time.sleep(0.02)
    return pid


@contextmanager
def _emulating(
    arch: str, words: Sequence[str], stdout: int
) -> Iterator[subprocess.Popen[str]]:
    """Start *words* as root of a user and a mount namespace that knows *arch*."""
    own = Path("/proc/self/ns/user").readlink()
    with subprocess.Popen(
        # Root only once its users are mapped, so it begins anew after that.
        ["unshare", "--user", "--mount", "sh", "-c", 'read -r _; exec sh -c "$@"', "sh",
         EMULATE, "sh", _registration(QEMU[arch]), *words],
        stdin=subprocess.PIPE, stdout=stdout, stderr=subprocess.PIPE, text=True,
    ) as child:  # fmt: skip
        assert child.stdin is not None
        while Path(f"/proc/{child.pid}/ns/user").readlink() == own:
            time.sleep(0.01)
        for name in ("uid_map", "gid_map"):
            Path(f"/proc/{child.pid}/{name}").write_text("0 0 65536\n")
        child.stdin.write("\n")
        child.stdin.flush()
        yield child


def _registration(name: str) -> str:
    """The line of qemu's own binfmt.d file; F: the interpreter is opened now."""
    text = Path(f"/usr/lib/binfmt.d/qemu-{name}.conf").read_text().strip()
    parts = text.split(":")
    parts[-2:] = [f"/usr/bin/qemu-{name}-static", "F"]
    return ":".join(parts)
