"""What the looks saw, for the judgement. None everywhere: it could not be told."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tocsin.certificates import Held
    from tocsin.looks import PinsSeen
    from tocsin.ports import InputSpec, PinSpec


@dataclass(frozen=True, slots=True, kw_only=True)
class Who:
    """The user that the daemon runs as, or will.

    Attributes:
        because: How that is known, in a few words.
    """

    name: str
    uid: int
    gids: frozenset[int]
    because: str


class Kind(StrEnum):
    """What a path leads to."""

    MISSING = "missing"
    DEVICE = "device"
    FILE = "file"
    FOLDER = "folder"
    OTHER = "other"
    UNSEEN = "unseen"


@dataclass(frozen=True, slots=True, kw_only=True)
class Node:
    """A file, folder or device; *trouble* says why an unseen one is."""

    path: str
    kind: Kind
    mode: int = 0
    uid: int = 0
    gid: int = 0
    group: str = ""
    trouble: str = ""


READ, WRITE = 4, 2


def may(who: Who, node: Node, wanted: int) -> bool:
    """Return whether *who* may use *node*, by its mode alone (path_resolution(7))."""
    if who.uid == 0:
        return True
    if who.uid == node.uid:
        granted = node.mode >> 6
    elif node.gid in who.gids:
        granted = node.mode >> 3
    else:
        granted = node.mode
    return granted & wanted == wanted


def modes(node: Node) -> str:
    """Return who may use *node*, for people."""
    return f"{node.path} is for group {node.group or node.gid}, mode {node.mode:o}"


def join(who: Who, node: Node) -> str:
    """Return how *who* gets to use a device."""
    if node.gid == 0 or not (node.mode >> 3) & READ:
        return f"give {node.path} to a group by a udev rule, as the installer does"
    return f"usermod -aG {node.group or node.gid} {who.name}, then restart the daemon"


def listed(holders: tuple[tuple[str, int], ...]) -> str:
    """Return processes for people: each name, and its number."""
    return ", ".join(f"{name} ({pid})" for name, pid in holders)


@dataclass(frozen=True, slots=True, kw_only=True)
class PinsAsked:
    """The site's pins, what the chip says, and who has a chip open.

    Attributes:
        driver: The site's pin driver.
        chip: The chip's device file; None where there is none.
        holders: Processes that have lines open, a name and a number each; None where
            other users' processes could not be seen.
        daemon_pid: Of the running daemon.
        is_unsure: One may run that could not be asked.
        is_pi: This machine calls itself a Raspberry Pi.
        is_strict: Its boot file has a line let go of fall back to an input.
    """

    driver: str
    outputs: tuple[PinSpec, ...]
    inputs: tuple[InputSpec, ...]
    wired: frozenset[str]
    who: Who
    seen: PinsSeen | None = None
    chip: Node | None = None
    holders: tuple[tuple[str, int], ...] | None = None
    daemon_pid: int | None = None
    is_unsure: bool = False
    is_pi: bool = False
    is_strict: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SerialSeen:
    """A serial device, and the processes that have it open."""

    node: Node
    who: Who
    packs: str
    holders: tuple[tuple[str, int], ...] | None = None
    daemon_pid: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CanSeen:
    """A CAN interface of the kernel.

    Attributes:
        kind: "can" for a real one, "vcan" for one without wires.
        state: Of the controller, such as ERROR-ACTIVE or BUS-OFF.
        restart_ms: After bus-off, by itself; 0 for never.
        received: Frames since the interface was made.
    """

    name: str
    packs: str
    is_there: bool = False
    is_can: bool = False
    is_up: bool = False
    kind: str | None = None
    bitrate: int | None = None
    state: str | None = None
    restart_ms: int | None = None
    tx_errors: int | None = None
    rx_errors: int | None = None
    received: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PackSeen:
    """A pack that was asked for, through the daemon or over its own line.

    Attributes:
        asked: How, in a few words.
        is_answering: None where nobody asked.
    """

    name: str
    place: str
    asked: str
    is_answering: bool | None
    said: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockSeen:
    """The system's clock beside others; all in ms since 1970.

    Attributes:
        wall_ms: What it shows.
        is_synchronised: As the kernel says of it.
        rtc_ms: What the battery-backed clock shows, at *wall_ms*.
        has_rtc: There is one.
        newest_ms: When the newest row of the journal was written; None for no journal.
        built_ms: Before this moment nobody can have installed us.
    """

    wall_ms: int
    built_ms: int
    is_synchronised: bool | None = None
    has_rtc: bool | None = None
    rtc_ms: int | None = None
    newest_ms: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DiskSeen:
    """The file system that the journal lies on, or will.

    Attributes:
        folder: The journal's.
        type: Of the file system, such as ext4.
        flush_ms: How long it took to flush the folder; nothing was written.
        errors: That the file system has counted.
        life: Of the memory used up, in per cent: at least and at most.
        is_worn: The memory itself says that its spare blocks run out.
    """

    folder: Node
    who: Who
    type: str | None = None
    is_read_only: bool | None = None
    free_mb: float | None = None
    total_mb: float | None = None
    free_files_pct: float | None = None
    flush_ms: float | None = None
    errors: int | None = None
    life_pct: int | None = None
    is_worn: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class MachineSeen:
    """Memory, heat and supply.

    Attributes:
        throttled: The firmware's flags, None where it tells of none.
        is_low_volt: The supply is too low now.
    """

    total_mb: float | None = None
    available_mb: float | None = None
    hottest_c: float | None = None
    throttled: int | None = None
    is_low_volt: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ServiceSeen:
    """What the service manager says of the unit.

    Attributes:
        trouble: Why it says nothing; empty if it does.
        shown: Its properties, by systemd's own names.
        exposure: Its verdict on the sandbox, 0 best, 10 worst.
        manager: Properties of the manager itself.
    """

    unit: str
    site: str
    trouble: str = ""
    shown: dict[str, str] = field(default_factory=dict)
    manager: dict[str, str] = field(default_factory=dict)
    exposure: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchdogSeen:
    """The machine's own watchdog.

    Attributes:
        is_there: A device is there.
        identity: What its driver calls itself.
        was_reset: The watchdog made the last start of the machine.
    """

    is_there: bool = False
    identity: str = ""
    was_reset: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DaemonSeen:
    """The running daemon, over its control socket.

    Attributes:
        socket: Where it was looked for.
        is_forbidden: There is one, and it may not be asked.
        is_mute: Somebody listens there and does not answer in time.
        pid: None where none runs.
        step_ms: Age of its last completed, checked step; None before the first.
        pace_ms: A step comes at least this often.
        version, sha256: Of what runs, and of the site file that it read.
        watchdog_ms: How often somebody wants to hear from it; 0 for nobody.
    """

    socket: str
    own_version: str
    own_sha256: str
    is_forbidden: bool = False
    is_mute: bool = False
    trouble: str = ""
    pid: int | None = None
    step_ms: int | None = None
    pace_ms: int = 1_000
    version: str = ""
    sha256: str = ""
    watchdog_ms: int = 0

    @property
    def is_unsure(self) -> bool:
        """Return whether a daemon may run that could not be asked."""
        return self.is_mute or self.is_forbidden or bool(self.trouble)


@dataclass(frozen=True, slots=True, kw_only=True)
class JournalSeen:
    """The journal's file. *trouble* is what its own check says; empty if all is well.

    Attributes:
        damaged: Files that were set aside as damaged.
    """

    path: str
    is_there: bool
    is_checked: bool = False
    trouble: str = ""
    rows: int = 0
    damaged: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class BrokerSeen:
    """A connection that was made to a *table*'s broker and ended at once."""

    table: str
    place: str
    trouble: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class CertificateSeen:
    """A certificate that a table of the site file uses; None if it cannot be read."""

    use: str
    held: Held | None
    wall_ms: int
    trouble: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SecretSeen:
    """A file that holds a secret, or that must not be changed by others."""

    node: Node
    use: str
    who: Who
    is_secret: bool = True
    is_made_by_us: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class PackageSeen:
    """An installed library.

    Attributes:
        version: Empty where it is not installed.
        least: What is needed at least; empty for any.
        is_empty: It is installed and holds no module.
    """

    name: str
    version: str
    least: str = ""
    is_empty: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class SoftwareSeen:
    """What runs here."""

    python: tuple[int, int, int]
    own: str
    packages: tuple[PackageSeen, ...]
    drivers: tuple[str, ...]
    wanted_drivers: tuple[str, ...]
