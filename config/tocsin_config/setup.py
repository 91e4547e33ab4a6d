"""What a site file comes to, ready for the daemon."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from tocsin.ports import HistorySpec

if TYPE_CHECKING:
    from tocsin.core.site import Site
    from tocsin.fleet_port import FleetSpec
    from tocsin.ports import (
        BrokerSpec,
        InputSpec,
        PageSpec,
        PinSpec,
        SourceSpec,
    )
    from tocsin_config.circuits import Wiring
    from tocsin_config.document import Document
    from tocsin_config.models import SiteFile


@dataclass(frozen=True, slots=True, kw_only=True)
class Origin:
    """The tables a setup came from, and where they stand."""

    document: Document
    tables: SiteFile


@dataclass(frozen=True, slots=True, kw_only=True)
class Setup:
    """A checked site file.

    Attributes:
        path: The site file.
        sha256: Of its bytes, followed by those of every file it includes, in the
            order of the packs and then of the sources (``cat site.toml map.toml |
            sha256sum``).
        site: What the core may know.
        sources: One a pack, in the same order.
        extras: Sources beside the packs' own, in the order of the site's.
        pins: One an output, in the same order.
        wiring: One an output, in the same order.
        input_pins: One an input, in the same order.
        pins_driver: ``simulated`` or ``lgpio``.
        journal_folder: Where events are kept.
        history: How long samples are kept; None where none are.
        broker: None where nothing is published.
        fleet: A fleet that is told of the site; None where none is.
        page: The page for browsers; None where none is served.
        poll_ms: Time between two readings of a pack.
        lead_min: How long before a cut-off a person wants to know.
        absorption_v: What the chargers are set to, of one pack; None if not said.
        origin: For `doubts`, which need the lines; None if not made from a file.
    """

    path: Path
    sha256: str
    site: Site
    sources: tuple[SourceSpec, ...]
    pins: tuple[PinSpec, ...]
    wiring: tuple[Wiring, ...] = ()
    extras: tuple[SourceSpec, ...] = ()
    input_pins: tuple[InputSpec, ...] = ()
    pins_driver: str = "simulated"
    journal_folder: Path = Path("/var/lib/tocsin")
    history: HistorySpec | None = field(default_factory=HistorySpec)
    broker: BrokerSpec | None = None
    fleet: FleetSpec | None = None
    page: PageSpec | None = None
    poll_ms: int = 1_000
    lead_min: float = 15
    absorption_v: float | None = None
    origin: Origin | None = field(default=None, repr=False, compare=False)

    @property
    def brokers(self) -> dict[str, BrokerSpec]:
        """Return every broker that the site talks to, by its table in the file."""
        fleet = None if self.fleet is None else self.fleet.broker
        named = {"mqtt": self.broker, "fleet": fleet}
        return {table: spec for table, spec in named.items() if spec is not None}
