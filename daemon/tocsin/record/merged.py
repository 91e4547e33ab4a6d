"""What several sources come to, moment by moment, without judging it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from tocsin.core.measures import PackState
from tocsin.core.merge import ExtraState, lent_to, refusal, said, whole

if TYPE_CHECKING:
    from tocsin.core.model import Sample
    from tocsin.core.site import Site


class Merged:
    """The newest word of every source of *site*; nothing stale is lent."""

    def __init__(self, site: Site) -> None:
        self._site = site
        self._packs = [PackState(heard_ms=0) for _ in site.bank.packs]
        self._extras = [ExtraState(heard_ms=0) for _ in site.extras]

    def take(self, at_ms: int, name: str, sample: Sample) -> Sample | str:
        """Take what *name* says; return what is known of that pack now.

        Of a source beside the packs' own, return why it is refused, empty if it is not.
        """
        site = self._site
        at = site.extra_at.get(name)
        if at is not None:
            extra = site.extras[at]
            reason = refusal(sample, extra, site)
            if not reason:
                self._extras[at] = ExtraState(
                    heard_ms=at_ms, online=True, sample=said(sample, extra)
                )
            return reason
        i = site.pack_at[name]
        self._packs[i] = PackState(heard_ms=at_ms, online=True, sample=sample)
        stale_ms = at_ms - site.timing.stale_ms
        packs = [
            replace(p, online=p.online and p.heard_ms > stale_ms) for p in self._packs
        ]
        extras = [
            replace(e, online=e.online and e.heard_ms > stale_ms) for e in self._extras
        ]
        return whole(sample, lent_to(i, packs, extras, site))
