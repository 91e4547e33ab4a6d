"""What the daemon asks of the outside world. Drivers satisfy these by shape."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Protocol, runtime_checkable

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from contextlib import AbstractAsyncContextManager
    from pathlib import Path

    from tocsin.core.events import Demand, Fact
    from tocsin.core.model import Sample, Value
    from tocsin.core.plant import InputRole
    from tocsin.core.rules import Role


class DriverError(Exception):
    """The device or the line failed; trying again later may help.

    Anything else that a driver raises is a bug and ends the daemon.
    """


@dataclass(frozen=True, slots=True, kw_only=True)
class TcpLine:
    """A Modbus device behind TCP; *framing* "rtu" for serial frames over TCP."""

    host: str
    port: int = 502
    framing: str = "tcp"


@dataclass(frozen=True, slots=True, kw_only=True)
class SerialLine:
    """An RS-485 line. Packs with the same *device* share it and take turns."""

    device: str
    baud: int = 19_200
    parity: str = "E"  # E, N or O
    stop_bits: int = 1


LOG = "log"
"""The interface of a CAN bus that is a recording."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CanLine:
    """A CAN bus, in python-can's words. Packs on the same one share it.

    *bitrate* is told to a serial adapter (``slcan``); a kernel interface has its own.
    The interface ``log`` is a recording, its file the channel (``bus.log``, or
    ``bus.log@can1`` for one bus of several), played *speed* times as fast. A serial
    adapter that *is_listen_only* does not even acknowledge what it hears.
    """

    interface: str
    channel: str
    bitrate: int | None = None
    speed: float = 1.0
    is_listen_only: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceSpec:
    """One source, as the site file describes it.

    Attributes:
        name: The pack's; or its own, of a source beside the packs' own.
        driver: Name of an entry point in the group ``tocsin.sources``.
        cells: How many series cells a reading must have.
        line: Where it answers; None for drivers that need none.
        unit: Modbus unit identifier.
        timeout_ms: How long one request may take. A source ends within this plus
            one second of being cancelled; a request in flight is never cancelled.
        retries: How often a failed request is tried again before the read fails.
        options: What only this driver understands, already validated.
        gives: What a source beside the packs' own is there for; it need not say more.
            Empty for a pack's.
    """

    name: str
    driver: str
    cells: int
    line: TcpLine | SerialLine | CanLine | None = None
    unit: int = 1
    timeout_ms: int = 1_000
    retries: int = 1
    options: Mapping[str, Any] = field(default_factory=dict)
    gives: frozenset[Value] = frozenset()

    @property
    def is_only_recorded(self) -> bool:
        """Return whether nothing can read this pack: it exists in recordings only."""
        return self.driver == "trace" and "file" not in self.options

    @property
    def is_played(self) -> bool:
        """Return whether a recording is read instead of a pack that is there."""
        is_log = isinstance(self.line, CanLine) and self.line.interface == LOG
        return is_log or (self.driver == "trace" and not self.is_only_recorded)


class Source(Protocol):
    """One pack that can be asked for one whole sample at a time."""

    async def read(self) -> Sample:
        """Return the next whole sample.

        Raises:
            DriverError: no whole sample came; the text says what is missing.
        """
        ...


class Sources(Protocol):
    """Every source of one driver. Built once, so that packs can share a line."""

    def open(self, name: str) -> AbstractAsyncContextManager[Source]:
        """Return a fresh connection to pack *name*, opened by ``async with``.

        Entering raises DriverError when nobody answers. After any DriverError the
        daemon leaves the context and enters a new one.
        """
        ...


class OnTrouble(Protocol):
    """Where a part of the daemon says that it fails, or works again."""

    def __call__(self, part: str, where: str, reason: str) -> None:
        """Note that *part* (one of `core.site.PARTS`) fails at *where*, and why.

        An empty *reason*: it works again. From the running loop's own thread.
        """
        ...


@runtime_checkable
class Reports(Protocol):
    """Sources that know troubles which no failed reading tells, such as a bad bus."""

    def report_to(self, on_trouble: OnTrouble) -> None:
        """Take whom to tell, once, before anything is opened."""
        ...


@runtime_checkable
class Heeds(Protocol):
    """Sources that tell their devices what became true. Never blocks or raises."""

    def tell(self, facts: Sequence[Fact]) -> None:
        """Take what just became true, from the running loop's own thread."""
        ...


class BuildSources(Protocol):
    """What an entry point of the group ``tocsin.sources`` names."""

    def __call__(self, specs: Sequence[SourceSpec]) -> Sources:
        """Return the sources of all packs that use this driver."""
        ...


class BusLog(Protocol):
    """A log that is being written, of every frame on the buses of some packs.

    The packs themselves may be read in this process at the same time.

    Attributes:
        frames: How many were written.
    """

    frames: int

    @property
    def trouble(self) -> str:
        """Return what is wrong with a bus now; empty for nothing."""
        ...

    async def run(self) -> None:
        """Keep every bus open and write, until cancelled.

        Raises:
            DriverError: none of the buses could ever be opened.
            OSError: the log cannot be written.
        """
        ...


class BuildBusLog(Protocol):
    """What an entry point of the group ``tocsin.bus_logs`` names."""

    def __call__(
        self, specs: Sequence[SourceSpec], path: Path, *, is_watched: bool
    ) -> AbstractAsyncContextManager[BusLog]:
        """Return a log in the new file *path*, closed when the context is left.

        With *is_watched* a daemon reads the same buses now. Entering raises
        DriverError where a bus cannot be heard beside it, and OSError where the file
        cannot be made. A log of nothing leaves no file.
        """
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class PinSpec:
    """One output's pin; *pin* is None where the site file gives none."""

    output: str
    role: Role
    pin: str | None = None
    active_low: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class InputSpec:
    """One input's pin; *pin* is None where the site file gives none.

    Attributes:
        active_low: It is active while the pin is low.
        pull: "up", "down" or "none".
    """

    input: str
    role: InputRole
    pin: str | None = None
    active_low: bool = False
    pull: str = "down"


class Inputs(Protocol):
    """Pins that can be read. None of them is ever driven."""

    def read(self) -> Mapping[str, bool | DriverError]:
        """Return of each input whether it is active, or why it cannot be read."""
        ...

    def listen(self, tell: Callable[[str, bool], None]) -> None:
        """Call *tell* with an input and its level at every edge, from any thread."""
        ...

    def close(self) -> None:
        """Release every pin."""
        ...


class BuildInputs(Protocol):
    """What an entry point of the group ``tocsin.inputs`` names."""

    def __call__(self, inputs: Sequence[InputSpec]) -> Inputs:
        """Claim every pin as an input and return them."""
        ...


class Outputs(Protocol):
    """Pins that can be held at a level. Closing them leaves every one de-energised."""

    def hold(self, demands: tuple[Demand, ...]) -> None:
        """Assert every output's level; asking twice is harmless.

        Raises:
            DriverError: a pin could not be written. The others were.
        """
        ...

    def beat(self) -> None:
        """Toggle every heartbeat output: steps are completed and checked."""
        ...

    def close(self) -> None:
        """De-energise and release every pin."""
        ...


class BuildOutputs(Protocol):
    """What an entry point of the group ``tocsin.outputs`` names."""

    def __call__(self, pins: Sequence[PinSpec]) -> Outputs:
        """Claim every pin with its de-energised level and return them."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Announcement:
    """How each value is announced to a hub, as the integrator's template has it.

    Attributes:
        topic: With ``{placeholders}``.
        body: A JSON value whose texts bear placeholders.
    """

    topic: str
    body: Any


@dataclass(frozen=True, slots=True, kw_only=True)
class Tls:
    """An encrypted connection to a broker whose name stands in its certificate.

    Attributes:
        ca: Certificates of the authorities that may have signed the broker's; None for
            those that the system knows.
        certificate: Ours, with which the broker knows us; None where it need not.
        key: Of our certificate; None if it lies in the same file.
    """

    ca: Path | None = None
    certificate: Path | None = None
    key: Path | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class BrokerSpec:
    """An MQTT broker.

    Attributes:
        protocol: "5", or "3.1.1": nothing expires, refusals are not heard, and no
            command is obeyed.
        domain: First level of every topic.
        base: First levels of what versions before Homie published; what they left
            there is removed.
        client_id: Empty for the site's own id.
        password_file: A file that holds the password alone; secrets never stand in
            the site file.
        tls: None for a connection that others on the way can read and change.
        is_commanded: Commands from the broker are obeyed.
        announcement: None to announce nothing.
    """

    host: str
    port: int = 1883
    protocol: str = "5"
    domain: str = "homie"
    base: str = "tocsin"
    client_id: str = ""
    username: str = ""
    password_file: Path | None = None
    keepalive_s: int = 20
    tls: Tls | None = None
    is_commanded: bool = False
    announcement: Announcement | None = None

    @property
    def takes_commands(self) -> bool:
        """Return True if commands are obeyed, as only MQTT 5 allows.

        3.1.1 cannot tell a command that the broker kept from a live one.
        """
        return self.is_commanded and self.protocol == "5"


@dataclass(frozen=True, slots=True, kw_only=True)
class HistorySpec:
    """How long samples are kept, and how much of them.

    Attributes:
        raw_ms: Every sample, for so long; then
        minute_ms: least, mean and largest of each minute; then
        quarter_ms: of each quarter of an hour. Ages, not spans after each other.
        batch_ms: Samples are written so seldom; a power cut costs at most these.
        max_mb: The file never holds more.
        reserve_mb: The file does not grow while less is free on its disk.
    """

    raw_ms: int = 172_800_000
    minute_ms: int = 400 * 86_400_000
    quarter_ms: int = 3_650 * 86_400_000
    batch_ms: int = 60_000
    max_mb: float = 600
    reserve_mb: float = 64


@dataclass(frozen=True, slots=True, kw_only=True)
class PageSpec:
    """The page for browsers.

    Attributes:
        host: The address to listen on; the machine itself only, unless told otherwise.
        names: What else browsers may call this machine, beside its addresses and name.
        token_file: Holds the token alone; None for ``page-token`` beside the journal.
        certificate, key: Files of the owner's, in PEM; None for plain HTTP.
    """

    host: str = "127.0.0.1"
    port: int = 8_460
    names: tuple[str, ...] = ()
    token_file: Path | None = None
    certificate: Path | None = None
    key: Path | None = None

    @property
    def url(self) -> str:
        """Return what a browser on the same machine asks for."""
        scheme = "http" if self.certificate is None else "https"
        host = {"0.0.0.0": "localhost", "::": "localhost"}.get(self.host, self.host)  # noqa: S104 to be named, not listened on
        return f"{scheme}://{f'[{host}]' if ':' in host else host}:{self.port}/"
