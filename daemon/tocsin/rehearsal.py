"""What a rehearsal offers: a simulated site to try the daemon on."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from collections.abc import Mapping
    from contextlib import AbstractAsyncContextManager
    from pathlib import Path


class Rehearsal(Protocol):
    """A simulated site, served over real protocols, to try the daemon on."""

    site_text: str
    """The site file that fits what is served."""
    duration_s: float
    """How long the story is, in simulated seconds."""

    def narrate(self, at_s: float) -> str:
        """Return what is going on at the site at *at_s*, in words."""
        ...

    def advance(self, to_s: float) -> None:
        """Move the simulated site on to *to_s*."""
        ...

    def follow(self, energised: Mapping[str, bool]) -> None:
        """Let the site's contactors follow the daemon's outputs, by name."""
        ...


class BuildRehearsal(Protocol):
    """What an entry point of the group ``tocsin.rehearsals`` names."""

    def __call__(self, folder: Path) -> AbstractAsyncContextManager[Rehearsal]:
        """Return the served site; *folder* is where its journal may live."""
        ...
