"""The plug is pulled while the daemon writes: what it reported is there, and whole.

Two ways. First the machine itself is killed in mid-write, and the next one's kernel
mounts the disk and the daemon goes on with it. That finds a commit that does not wait
for the disk, but no write that came in another order: the host's memory lives on.
So every write of a disk is logged as well, and disks are rebuilt as a cut with a cache
full of unwritten sectors may leave them. In both a journal that is broken on purpose
must be caught. No worn-out card, no neighbour's data lost: that is not shown here.
"""

from __future__ import annotations

import random
import subprocess
import time
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING

from tests.vm import blocklog
from tests.vm.build import GUEST
from tests.vm.durable import Left, Owed, Said, dumped, examined
from tests.vm.lab import PATIENCE_S, PYTHON, SITE
from tests.vm.warm import Warm, wake

from tocsin_config import load

if TYPE_CHECKING:
    from pathlib import Path

    from tests.vm.lab import Place
    from tests.vm.machine import Machine

DISK_SIZE = "128M"
DEVICE = "virtio-blk-pci,serial=labdata,drive=data"
FRESH_EVERY = 10
"""Cuts after which a disk is begun anew: a journal that grows takes time to look at."""
RUN_S = (0.5, 6.0)
"""How long the daemon writes before a cut."""
LOGGED_S = 40.0
REBUILT = 400
CONTROL_CUTS = 4
REBUILT_CONTROL = 100
DROP_INS = "/etc/systemd/system/tocsin.service.d"
EARED = f"""\
[Service]
ExecStart=
ExecStart={PYTHON} -u /opt/lab/told.py run {SITE} --quiet
StandardOutput=file:/dev/virtio-ports/lab.rpt
DeviceAllow=char-virtio-portsdev rw
TimeoutStartSec=infinity
"""
LOGGING = "file=disk,log=log,log-super-update-interval=1"
HISTORY = "\n[history]\nbatch_s = 1\nreserve_mb = 0\n"
BEGIN = """\
set -e
blockdev --flushbufs /dev/vdb
in_unit="nsenter -m -t $(systemctl show -P MainPID tocsin)"
$in_unit mount -t ext4 /dev/vdb /var/lib/tocsin
$in_unit chown tocsin:tocsin /var/lib/tocsin
echo {sync} > /run/lab/go
($in_unit {python} /opt/lab/storm.py /var/lib/tocsin > /dev/null 2>&1 &)
"""
"""The disk is mounted where the unit sees it, in the unit's own sandbox."""


def run(place: Place) -> None:
    """Cut, rebuild, and both once more with a journal that is broken on purpose."""
    place.folder.mkdir(parents=True, exist_ok=True)
    ground = Ground(place)
    ground.warm_up()
    _cuts(ground, place.cuts, "FULL")
    _cuts(ground, CONTROL_CUTS, "NORMAL")
    _rebuilds(ground, REBUILT, "FULL")
    _rebuilds(ground, REBUILT_CONTROL, "NORMAL")


class Ground:
    """Files and the kept machine that all cuts share."""

    def __init__(self, place: Place) -> None:
        self.place = place
        self.disk = place.folder / "data.img"
        self.log = place.folder / "writes.log"
        self.scratch = place.folder / "scratch.img"
        self.files = place.folder / "files"
        self._warm = Warm(place.image, place.folder / "warm")
        self._site = load(GUEST / "site.toml").site

    def warm_up(self) -> None:
        """Boot once, with the daemon loaded, waiting for its disk."""
        self.fresh_disk()

        def prepare(machine: Machine) -> None:
            machine.sh("systemctl stop tocsin")
            machine.sh(f"echo '{HISTORY}' >> {SITE}")
            machine.sh("rm -rf /var/lib/tocsin/*")
            machine.write(f"{DROP_INS}/told.conf", EARED)
            machine.sh("systemctl daemon-reload; systemctl start --no-block tocsin")
            heard = b""
            machine.reports.settimeout(PATIENCE_S)
            while b"loaded" not in heard:
                heard += machine.reports.recv(65_536)

        self.place.say("booting once for all cuts")
        self._warm.make(self._plain(), prepare)

    def fresh_disk(self) -> None:
        """Begin an empty file system."""
        self.disk.unlink(missing_ok=True)
        subprocess.run(["truncate", "-s", DISK_SIZE, self.disk], check=True)
        subprocess.run(["mke2fs", "-q", "-t", "ext4", "-F", self.disk], check=True)

    def _plain(self) -> list[str]:
        drive = f"if=none,id=data,file={self.disk},format=raw,cache=writeback"
        return ["-drive", drive, "-device", DEVICE]

    def _logged(self) -> list[str]:
        parts = (
            f"driver=file,node-name=disk,filename={self.disk}",
            f"driver=file,node-name=log,filename={self.log}",
            f"driver=blklogwrites,node-name=data,{LOGGING}",
        )
        words = [word for part in parts for word in ("-blockdev", part)]
        return [*words, "-device", DEVICE]

    def machine(self, *, logged: bool) -> Machine:
        """Return a woken machine, not yet started."""
        more = self._logged() if logged else self._plain()
        return self._warm.woken(self.place.folder / "cut", more)

    def looked(self, disk: Path, said: Said, owed: Owed) -> tuple[Left, list[str]]:
        """Return what a copy of *disk* holds, and what e2fsck says against it."""
        copied(disk, self.scratch)
        wrong = dumped(self.scratch, self.files)
        return examined(self.files, self._site, said, owed), wrong


def copied(disk: Path, to: Path) -> None:
    """Copy a disk's image, holes and all."""
    subprocess.run(["cp", "--sparse=always", disk, to], check=True)


def begin(machine: Machine, sync: str) -> None:
    """Start the daemon on the data disk, and the storm that makes it write."""
    wake(machine)
    machine.sh(BEGIN.format(sync=sync, python=PYTHON))


@dataclass
class Ear:
    """Hears a machine's reports into *said*, for a time."""

    machine: Machine
    said: Said

    def until_busy(self, rows: int = 30) -> None:
        """Wait until the daemon has taken up its work."""
        since = len(self.said.rows)
        self.machine.reports.settimeout(PATIENCE_S)
        while len(self.said.rows) - since < rows:
            try:
                data = self.machine.reports.recv(65_536)
            except TimeoutError as exc:
                status = self.machine.sh("journalctl -u tocsin -n 20 --no-pager")
                raise self.machine.error(f"the daemon says nothing: {status}") from exc
            self.said.hear(data)

    def rest(self) -> None:
        """Hear what was said before the plug was pulled."""
        self.machine.reports.settimeout(5.0)
        with suppress(OSError):
            while data := self.machine.reports.recv(65_536):
                self.said.hear(data)
        self.said.cut()


def _cuts(ground: Ground, cuts: int, sync: str) -> None:
    """Pull the plug so many times, and look at the disk after each."""
    chance = random.Random(50)
    said, seconds = Said(), 0.0
    lefts: list[Left] = []
    complaints: list[str] = []
    rows = lost_files = 0
    for number in range(cuts):
        if number % FRESH_EVERY == 0:
            ground.fresh_disk()
            rows += len(said.rows)
            said = Said()
        with ground.machine(logged=False) as machine:
            begin(machine, sync)
            ear = Ear(machine, said)
            ear.until_busy()
            run_s = chance.uniform(*RUN_S)
            _hear_for(ear, run_s)
            machine.pull_plug()
            ear.rest()
        seconds += run_s
        left, wrong = ground.looked(ground.disk, said, said.owed())
        lefts.append(left)
        lost_files += left.older_files
        complaints += [*wrong, *left.damage, *_unlike(said)]
        ground.place.say(
            f"cut {number + 1} of {cuts}, {sync}: {len(said.rows)} rows and "
            f"{len(said.kept)} samples reported so far; missing {left.lost_rows} and "
            f"{left.lost_samples}; {'; '.join(complaints[-2:]) or 'nothing is broken'}"
        )
    rows += len(said.rows)
    _judge(ground, lefts, complaints, sync, f"{cuts} power cuts, {rows} rows reported")
    ground.place.report.note(
        f"{rows / seconds:.0f} rows/s while cut; small files older after a cut than "
        f"the last one said to be saved: {lost_files}"
    )


def _hear_for(ear: Ear, seconds: float) -> None:
    end_s = time.perf_counter() + seconds
    while (left_s := end_s - time.perf_counter()) > 0:
        ear.machine.reports.settimeout(left_s)
        with suppress(TimeoutError):
            ear.said.hear(ear.machine.reports.recv(65_536))


def _unlike(said: Said) -> list[str]:
    """Return what the machine's own kernel found broken when it mounted the disk."""
    return [
        f"{name} in the machine: {state}"
        for name, state in said.looks[-1].items()
        if name.endswith(".db") and state != "ok"
    ]


def _judge(
    ground: Ground, lefts: list[Left], complaints: list[str], sync: str, what: str
) -> None:
    report = ground.place.report
    cut = sum(left.lost_rows > 0 for left in lefts)
    lost = sum(left.lost_rows for left in lefts)
    samples = sum(left.lost_samples for left in lefts)
    if sync == "FULL":
        report.check(
            not (lost or samples or complaints),
            f"{what}: {lost} reported rows missing, {samples} reported samples "
            f"missing, {len(complaints)} files damaged {complaints[:3] or ''}",
        )
    else:
        report.check(
            cut,
            f"control, a journal that does not wait for the disk (synchronous=NORMAL): "
            f"{what}; caught by {cut} of them",
        )


def _rebuilds(ground: Ground, cuts: int, sync: str) -> None:
    """Log one long run, then look at many disks that a cut in it may have left."""
    ground.fresh_disk()
    base = ground.place.folder / "base.img"
    copied(ground.disk, base)
    ground.log.write_bytes(b"")
    said = Said()
    owed: list[tuple[int, Owed]] = []
    ground.place.say(f"logging every write for {LOGGED_S:.0f} s, {sync}")
    with ground.machine(logged=True) as machine:
        begin(machine, sync)
        machine.reports.settimeout(PATIENCE_S)
        end_s = float("inf")
        while time.perf_counter() < end_s:
            said.hear(machine.reports.recv(65_536))
            if said.rows and end_s == float("inf"):
                end_s = time.perf_counter() + LOGGED_S
            owed.append((blocklog.count(ground.log), said.owed()))
        machine.pull_plug()
    with ground.log.open("rb") as log:
        writes = blocklog.entries(log)
    chance = random.Random(1)
    first = next((at for at, each in owed if each.rows), len(writes))
    span = range(min(first, len(writes) - 1), len(writes))
    points = sorted(chance.sample(span, min(cuts, len(span))))
    ground.place.say(
        f"{len(writes)} writes and flushes, {len(points)} disks to rebuild"
    )
    rebuilder = Rebuilder(ground, base, writes)
    lefts: list[Left] = []
    complaints: list[str] = []
    for done, cut in enumerate(points, 1):
        disk = rebuilder.at(cut, chance)
        due = max((each for at, each in owed if at <= cut), key=_rows_of)
        left, wrong = ground.looked(disk, said, due)
        lefts.append(left)
        complaints += [*wrong, *left.damage]
        if done % 50 == 0:
            ground.place.say(f"{done} disks looked at, {len(complaints)} complaints")
    older = sum(left.older_files for left in lefts)
    what = (
        f"{len(points)} disks rebuilt from {len(writes)} logged writes and flushes, "
        f"{len(said.rows)} rows and {len(said.kept)} samples reported"
    )
    _judge(ground, lefts, complaints, sync, what)
    ground.place.report.note(
        f"small files saved {sum(map(len, said.saved.values()))} times; "
        f"{older} were an older one, whole"
    )


def _rows_of(owed: Owed) -> tuple[int, int]:
    return owed.rows, owed.kept


class Rebuilder:
    """Disks at ascending cuts: all that was flushed, and some of what was not."""

    def __init__(
        self, ground: Ground, base: Path, writes: list[blocklog.Write]
    ) -> None:
        self._log = ground.log
        self._writes = writes
        self._flushed = base
        self._disk = ground.place.folder / "rebuilt.img"
        self._done = 0

    def at(self, cut: int, chance: random.Random) -> Path:
        """Return the disk as a cut before entry *cut* may leave it."""
        last = blocklog.last_flush(self._writes, cut)
        with self._log.open("rb") as log:
            with self._flushed.open("r+b") as disk:
                for write in self._writes[self._done : last + 1]:
                    blocklog.put(log, disk, write)
            self._done = max(self._done, last + 1)
            copied(self._flushed, self._disk)
            with self._disk.open("r+b") as disk:
                for write, size in blocklog.survivors(self._writes, cut, chance):
                    blocklog.put(log, disk, write, size)
        return self._disk
