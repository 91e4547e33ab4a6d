"""Looks after the certificates of one connection: their dates, and new files."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass
from typing import TYPE_CHECKING

from tocsin import clock
from tocsin.certificates import DAY_S, WARN_DAYS, left_s
from tocsin.tls import TlsError, asked, load, mark_of

if TYPE_CHECKING:
    from tocsin.certificates import Held
    from tocsin.mqtt.around import Surroundings
    from tocsin.mqtt.aside import Aside
    from tocsin.mqtt.link import Link
    from tocsin.mqtt.troubles import Troubles
    from tocsin.ports import BrokerSpec, Tls
    from tocsin.tls import Loaded

LOOK_S = 60.0
"""The files are read so often."""

AGAIN_S = 300.0
"""A new certificate that did not work is tried again after so long."""

ASK_S = 3_600.0
"""So often a broker whose certificate is about to end is asked for a newer one."""

FILES = "certificate files"
"""What is warned of."""


@dataclass(frozen=True, slots=True)
class _Found:
    """Other files than those in use: ready, or why they cannot be used."""

    loaded: Loaded | None = None
    why: str = ""


class Keeper:
    """Looks at the files of one link, and changes over to new ones that work.

    New files are read first, and only a pair that fits and holds now is tried. The old
    one, still in memory, comes back if no connection can be made with the new.
    """

    def __init__(
        self,
        spec: BrokerSpec,
        tls: Tls,
        around: Surroundings,
        aside: Aside,
        troubles: Troubles,
    ) -> None:
        self._spec, self._tls = spec, tls
        self._around, self._aside, self._troubles = around, aside, troubles
        self._link: Link | None = None
        self._old: Loaded | None = None
        self._bad: tuple[bytes, str, float] | None = None
        self._why = ""
        self._asked_s = 0.0

    def begin(self, link: Link) -> None:
        """Look after *link* from now on."""
        self._link = link
        self.look()

    def look(self) -> None:
        """Look at the files; the disk holds nothing up."""
        self._aside.spawn(self._look())

    def connected(self) -> None:
        """Hear that the broker accepted what is in use."""
        loaded = None if self._link is None else self._link.loaded
        if self._old is not None and loaded is not None:
            self._old = self._bad = None
            self._troubles.warn(FILES, "")
            named = ", ".join(each.until() for each in loaded.held)
            self._around.on_certificate_note(f"new files are in use: {named}")
        elif self._bad is not None:
            said = "the new certificate does not work, so the old one is still in use"
            self._troubles.warn(FILES, f"{said}: {self._bad[1]}")
        self._tell_dates()

    def failed(self, reason: str) -> str:
        """Hear that there is no connection; return what is left to be told."""
        link, old = self._link, self._old
        if not reason or old is None or link is None or link.loaded is None:
            return reason
        self._bad = link.loaded.mark, reason, clock.loop_s() + AGAIN_S
        self._old = None
        link.renew(old)
        return ""

    async def _look(self) -> None:
        link = self._link
        if link is not None and link.loaded is not None and self._old is None:
            found = await asyncio.to_thread(self._other, link.loaded.mark)
            if self._is_stale(link.theirs):
                self._asked_s = clock.loop_s()
                where = self._spec.host, self._spec.port
                link.theirs = await asyncio.to_thread(asked, *where) or link.theirs
            self._consider(link, found)
            self._tell_dates()
        self._aside.later("certificates", LOOK_S, self.look)

    def _other(self, used: bytes) -> _Found | None:
        """Return what lies there now; None if it is what is in use."""
        try:
            if mark_of(self._tls) == used:
                return None
            return _Found(loaded=load(self._tls))
        except TlsError as exc:
            return _Found(why=str(exc))

    def _consider(self, link: Link, found: _Found | None) -> None:
        if found is None:
            self._why, self._bad = "", None
            self._troubles.warn(FILES, "")
            return
        why = found.why
        for each in () if found.loaded is None else found.loaded.held:
            if not each.is_valid(self._now_s()):
                why = each.standing(self._now_s(), is_clock_set=clock.is_set())
        if why and why == self._why:  # not while files are just being replaced
            said = "the new certificate cannot be used, so the old one stays in use"
            self._troubles.warn(FILES, f"{said}: {why}")
        self._why = why
        if found.loaded is not None and not why and self._is_worth(found.loaded):
            self._old = link.loaded
            link.renew(found.loaded)

    def _is_worth(self, loaded: Loaded) -> bool:
        if self._bad is None or self._bad[0] != loaded.mark:
            return True
        return clock.loop_s() >= self._bad[2]

    def _is_stale(self, theirs: Held | None) -> bool:
        """Return True if the broker may have been given another one by now."""
        if theirs is None or clock.loop_s() - self._asked_s < ASK_S:
            return False
        return left_s(theirs, self._now_s()) < WARN_DAYS[0] * DAY_S

    def _tell_dates(self) -> None:
        link, now_s = self._link, self._now_s()
        if link is None or link.loaded is None:
            return
        theirs = () if link.theirs is None else (link.theirs,)
        held = (*link.loaded.held, *theirs)
        if held:
            first = min(held, key=lambda each: left_s(each, now_s))
            said = first.standing(now_s, is_clock_set=clock.is_set())
            left_ms = round(left_s(first, now_s) * 1_000)
            self._around.on_certificates(left_ms, said or first.until())

    def _now_s(self) -> float:
        return self._around.wall_ms() / 1_000
