"""Builds the virtual machine: Debian's packages, PyPI's wheels, and this checkout.

Every step is kept below one folder and done again only if what it is made of changed.
Needs root (a Debian root file system is unpacked) and Debian 12 on amd64.
"""

from __future__ import annotations

import os
import platform
import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from tests.vm import recipe

if TYPE_CHECKING:
    from collections.abc import Callable

ROOT = Path(__file__).parents[2]
GUEST = Path(__file__).parent / "guest"
GUEST_LAB = "opt/lab"
IMAGE_SIZE = "1200M"
CLEAN = {
    "PATH": "/usr/sbin:/usr/bin:/sbin:/bin",
    "HOME": "/root",
    "LC_ALL": "C.UTF-8",
    "SYSTEMD_OFFLINE": "1",  # systemctl(1): there is no service manager to tell
}


@dataclass(frozen=True, slots=True)
class Image:
    """What a virtual machine starts from.

    Attributes:
        kernel, initrd, disk: Files; the disk is never written, machines have overlays.
        how: How Tocsin came onto it, for the report.
    """

    kernel: Path
    initrd: Path
    disk: Path
    how: str


class Kitchen:
    """One cache folder, and who is told of every step."""

    def __init__(self, cache: Path, say: Callable[[str], None]) -> None:
        self.cache = cache
        self.say = say
        self._release = ""

    def image(self) -> Image:
        """Return the image of this checkout, built if there is none yet.

        Raises:
            recipe.RecipeError: something is missing; says what to install.
        """
        self._look_around()
        release = self._kernel_release()
        made = self.cache / f"image-{self._image_key(release)}"
        image = Image(
            made / "vmlinuz",
            made / "initrd.gz",
            made / "root.img",
            "by deploy/wheelhouse.sh and deploy/install.sh, without a network",
        )
        if (made / "done").exists():
            self.say(f"image is there: {made}")
            return image
        base, module = self._base(), self._gpio_sim(release)
        for old in self.cache.glob("image-*"):
            shutil.rmtree(old)
        made.mkdir()
        house = self._wheelhouse(made)
        root = made / "root"
        self.say("unpacking kernel, installing Tocsin")
        run("cp", "-a", "--reflink=auto", base, root)
        self._add_kernel(release, module, made, root)
        self._add_tocsin(house, root)
        self._add_guest(root)
        self.say("making the disk and the initial RAM disk")
        run("truncate", "-s", IMAGE_SIZE, image.disk)
        run("mke2fs", "-q", "-t", "ext4", "-F", "-L", "root", "-d", root, image.disk)
        self._make_initrd(release, made, root)
        shutil.rmtree(root)
        (made / "done").touch()
        return image

    def _look_around(self) -> None:
        if os.geteuid() != 0:
            raise recipe.RecipeError("building the machine needs root")
        if platform.machine() != "x86_64":
            raise recipe.RecipeError("the machine is built on amd64 only")
        path = f"{os.environ.get('PATH', '')}:/usr/sbin:/sbin"
        os.environ["PATH"] = path
        found = [name for name in recipe.HOST_PROGRAMS if shutil.which(name)]
        if packages := recipe.missing_programs(found):
            raise recipe.RecipeError(f"missing: apt-get install {' '.join(packages)}")
        self.cache.mkdir(parents=True, exist_ok=True)

    def _kernel_release(self) -> str:
        if not self._release:
            said = output("apt-cache", "depends", recipe.META_KERNEL)
            self._release = recipe.kernel_release(said)
        return self._release

    def _image_key(self, release: str) -> str:
        folders = [ROOT / name for name in ("daemon", "drivers", "config", "deploy")]
        files = {"pyproject.toml": (ROOT / "pyproject.toml").read_bytes()}
        for folder in (*folders, GUEST):
            for path in sorted(folder.rglob("*")):
                if path.is_file() and "__pycache__" not in path.parts:
                    files[path.relative_to(ROOT).as_posix()] = path.read_bytes()
        for name in ("recipe.py", "build.py"):
            files[name] = (Path(__file__).parent / name).read_bytes()
        return recipe.key(files, release)

    def _base(self) -> Path:
        """Return a plain Debian root file system of the guest's packages."""
        base = self.cache / f"base-{recipe.key({}, recipe.GUEST_PACKAGES)}"
        if (base / "etc/debian_version").exists():
            return base
        self.say("unpacking Debian 12 (about a minute)")
        begun = base.with_suffix(".begun")
        shutil.rmtree(begun, ignore_errors=True)
        drops = (f"path-exclude=/usr/share/{d}/*" for d in ("man", "doc", "locale"))
        run(
            "mmdebstrap",
            "--mode=root",
            "--variant=minbase",
            "--format=directory",
            *(f"--dpkgopt={drop}" for drop in drops),
            f"--include={','.join(recipe.GUEST_PACKAGES)}",
            recipe.SUITE,
            begun,
            recipe.MIRROR,
        )
        begun.rename(base)
        return base

    def _deb(self, package: str) -> Path:
        folder = self.cache / "downloads"
        folder.mkdir(exist_ok=True)
        candidate = output("apt-cache", "show", "--no-all-versions", package)
        version = next(
            line.split()[1] for line in candidate.splitlines() if line[:8] == "Version:"
        )
        pattern = f"{package}_{version.replace(':', '%3a')}_*.deb"
        if not any(folder.glob(pattern)):
            self.say(f"downloading {package} {version}")
            run("apt-get", "download", "-q", f"{package}={version}", cwd=folder)
        return next(folder.glob(pattern))

    def _gpio_sim(self, release: str) -> Path:
        """Return the module of the simulated GPIO chip, built for *release*."""
        made = self.cache / f"gpio-sim-{release}"
        module = made / "gpio-sim.ko"
        if module.exists():
            return module
        headers = Path(f"/lib/modules/{release}/build")
        if not headers.exists():
            wanted = f"linux-headers-{release}"
            raise recipe.RecipeError(f"missing: apt-get install {wanted}")
        self.say(
            "building the simulated GPIO chip's module from Debian's kernel source"
        )
        shutil.rmtree(made, ignore_errors=True)
        made.mkdir()
        names = (*recipe.GPIO_SIM_SOURCES, recipe.IRQ_SIM_SOURCE)
        wanted = " ".join(f"'*/{name}'" for name in names)
        tar = f"./usr/src/{recipe.SOURCE}.tar.xz"
        shell(
            f"dpkg --fsys-tarfile {self._deb(recipe.SOURCE)} | tar xO {tar} | xz -dc |"
            f" tar x -C {made} --strip-components 1 --wildcards {wanted}"
        )
        for name in names:
            (made / name).rename(made / Path(name).name)
        (made / "gpio-sim.c").rename(made / "gpio-sim-main.c")
        irq_sim = made / "irq_sim.c"
        irq_sim.write_text(recipe.exported_only(irq_sim.read_text()))
        (made / "Kbuild").write_text(recipe.KBUILD)
        run("make", "-s", "-C", headers, f"M={made}", "modules")
        return module

    def _wheelhouse(self, made: Path) -> Path:
        """Return what a hut without internet installs from, made as a person would."""
        self.say("making a wheelhouse")
        house = made / "wheelhouse"
        wanted = ("--arch", "x86_64", "--python", recipe.GUEST_PYTHON)
        run("sh", ROOT / "deploy/wheelhouse.sh", *wanted, house)
        return house

    def _add_kernel(self, release: str, module: Path, made: Path, root: Path) -> None:
        unpacked = made / "kernel"
        run("dpkg-deb", "-x", self._deb(f"linux-image-{release}"), unpacked)
        shutil.copy(unpacked / f"boot/vmlinuz-{release}", made / "vmlinuz")
        theirs = unpacked / f"lib/modules/{release}"
        ours = root / f"lib/modules/{release}"
        for name in recipe.MODULE_FOLDERS:
            if (theirs / "kernel" / name).exists():
                (ours / "kernel" / name).parent.mkdir(parents=True, exist_ok=True)
                run("cp", "-a", theirs / "kernel" / name, ours / "kernel" / name)
        for path in theirs.glob("modules.*"):
            if path.name in {
                "modules.order",
                "modules.builtin",
                "modules.builtin.modinfo",
            }:
                shutil.copy(path, ours)
        (ours / "extra").mkdir()
        shutil.copy(module, ours / "extra")
        run("depmod", "-b", root, release)
        shutil.rmtree(unpacked)

    def _add_tocsin(self, house: Path, root: Path) -> None:
        """Install with the project's own installer, without a network."""
        house.rename(root / "wheelhouse")
        inside(root, "unshare", "--net", "sh", "/wheelhouse/deploy/install.sh")
        inside(root, "systemctl", "enable", "tocsin.service")

    def _add_guest(self, root: Path) -> None:
        lab = root / GUEST_LAB
        lab.mkdir(parents=True)
        for path in GUEST.glob("*.py"):
            shutil.copy(path, lab)
        run("cp", "-a", f"{GUEST / 'systemd'}/.", root / "etc/systemd")
        shutil.copyfile(GUEST / "site.toml", root / "etc/tocsin/site.toml")
        (root / "etc/hostname").write_text("fern-ridge\n")
        (root / "etc/hosts").write_text("127.0.0.1 localhost fern-ridge\n")
        (root / "etc/fstab").write_text("/dev/vda / ext4 defaults 0 1\n")
        (root / "etc/machine-id").write_text("uninitialized\n")
        units = root / "etc/systemd/system"
        for name in recipe.UNWANTED_UNITS:
            link(units / name, "/dev/null")
        for path in (GUEST / "systemd/system").glob("lab-*.service"):
            link(units / "multi-user.target.wants" / path.name, f"../{path.name}")
        for name in ("var/cache/apt", "var/lib/apt/lists"):
            shutil.rmtree(root / name, ignore_errors=True)

    def _make_initrd(self, release: str, made: Path, root: Path) -> None:
        folder = made / "initrd"
        for name in ("bin", "dev", "newroot", "mod"):
            (folder / name).mkdir(parents=True)
        shutil.copy(shutil.which("busybox") or "", folder / "bin/busybox")
        link(folder / "bin/sh", "busybox")
        depends = ("modprobe", "-d", root, "-S", release, "--show-depends")
        said = "".join(output(*depends, name) for name in recipe.INITRD_MODULES)
        for path, name in recipe.initrd_names(said):
            shutil.copy(path, folder / "mod" / name)
        (folder / "init").write_text(recipe.INIT)
        (folder / "init").chmod(0o755)
        shell(
            f"cd {folder} && find . | cpio -o -H newc --quiet | gzip -1"
            f" > {made / 'initrd.gz'}"
        )
        shutil.rmtree(folder)


def link(path: Path, target: str) -> None:
    """Make *path* point to *target*, whatever was there."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.unlink(missing_ok=True)
    path.symlink_to(target)


def run(*command: object, cwd: Path | None = None) -> None:
    """Run a program to its end.

    Raises:
        recipe.RecipeError: it failed; has the end of what it said.
    """
    words = [str(word) for word in command]
    done = subprocess.run(
        words, cwd=cwd, check=False, stdin=subprocess.DEVNULL, text=True,
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
    )  # fmt: skip
    if done.returncode:
        said = done.stdout[-2_000:]
        raise recipe.RecipeError(f"{' '.join(words[:6])} failed: {said}")


def output(*command: object) -> str:
    """Return what a program writes.

    Raises:
        recipe.RecipeError: it failed.
    """
    words = [str(word) for word in command]
    done = subprocess.run(words, check=False, capture_output=True, text=True)
    if done.returncode:
        raise recipe.RecipeError(f"{' '.join(words)} failed: {done.stderr[-500:]}")
    return done.stdout


def shell(line: str) -> None:
    """Run a pipe of programs; it fails if any of them does."""
    run("bash", "-c", f"set -o pipefail; {line}")


def inside(root: Path, *command: object) -> None:
    """Run a program of the guest's within its root."""
    run("chroot", root, "env", "-i", *(f"{k}={v}" for k, v in CLEAN.items()), *command)
