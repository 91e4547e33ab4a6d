"""A replay kept as the daemon keeps its days, so that one report serves both."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tocsin.history.sampling import Heard
from tocsin.history.store import Store
from tocsin.history.writer import Keeper
from tocsin.incident.story import Told
from tocsin.ports import HistorySpec
from tocsin.wire import fact_json

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from tocsin.core.events import Fact
    from tocsin.core.site import Site
    from tocsin.replay import Played
    from tocsin.trace import Row

BATCH = 3_000


class Recording:
    """Facts and samples of one replay; the samples in a history in *folder*."""

    def __init__(self, folder: Path, site: Site) -> None:
        self.told: list[Told] = []
        store = Store(folder, HistorySpec(reserve_mb=0))
        self._keeper = Keeper(store, site, lambda: 0)
        self._site = site
        self._heard: list[Heard] = []

    def say(self, fact: Fact) -> None:
        """Take what became true."""
        self.told.append(Told(fact.at_ms, fact_json(fact)))

    def watched(self, rows: Iterator[Row], played: Played) -> Iterator[Row]:
        """Yield *rows*, and keep what the core made of each sample.

        Raises:
            HistoryError, sqlite3.Error, OSError: the folder cannot be written.
        """
        pack = -1
        for row in rows:
            self._keep(pack, played)
            pack = self._site.pack_at.get(row.pack, -1) if row.sample else -1
            yield row
        self._keep(pack, played)
        self._flush()
        self._keeper.store.close()

    def _keep(self, pack: int, played: Played) -> None:
        """Keep the newest sample of pack number *pack*, if there is one."""
        if pack < 0 or played.outcome is None:
            return
        state = played.outcome.state.packs[pack]
        if state.sample is None:
            return
        told = () if state.tracker is None else state.tracker.forecasts
        name = self._site.bank.packs[pack].name
        self._heard.append(Heard(state.heard_ms, name, state.sample, told))
        if len(self._heard) >= BATCH:
            self._flush()

    def _flush(self) -> None:
        self._keeper.keep(self._heard)
        self._heard = []
