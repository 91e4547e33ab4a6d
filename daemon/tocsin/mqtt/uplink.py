"""The second link, straight to the broker of a fleet. It takes no command.

The site is a domain of its own in the convention's sense: ``<id>/5/<id>/...``, so that
a broker can give each site one user and rules of exact depth.
"""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

from tocsin.certificates import DAY_S, WARN_DAYS
from tocsin.mqtt.face import Face
from tocsin.mqtt.names import Names, slug
from tocsin.mqtt.pages import Pages
from tocsin.mqtt.publisher import Publisher
from tocsin.mqtt.summary import Summarist

if TYPE_CHECKING:
    from collections.abc import Callable

    from tocsin.core.site import Site
    from tocsin.fleet_port import FleetSpec
    from tocsin.mqtt.around import Surroundings
    from tocsin.mqtt.pages import Page

MEMORY = "fleet.json"

PATIENCE_S = 600.0
"""So long the way to a fleet may be closed before the journal says so: it is no alarm
of the site, which needs no fleet, and radio links come and go."""


def uplink(
    spec: FleetSpec,
    *,
    site: Site,
    around: Surroundings,
    pages: Page,
    seed: int | None = None,
) -> Publisher:
    """Return a publisher that tells a fleet of *site*; *pages* reads its history."""
    own = spec.name or slug(site.name)
    names = Names(domain=own, root=own)
    asks = names.topic(own, "history", "request", "set")
    face = Face(
        names=names,
        painter=Summarist(
            names, site, epoch=around.run_id, gives_history=spec.gives_history
        ),
        hears=Pages(names, pages),
        asks=asks if spec.gives_history else "",
        memory=MEMORY,
        slower=2,
        must_be_heard=True,
        may_be_left=False,  # and a subscription of our own would count as heard
    )
    return Publisher(spec.broker, site=site, around=around, seed=seed, face=face)


class Patience:
    """Tells of a trouble that lasts, and of its end.

    Args:
        say: Gets a sentence.
        after_s: How long it must last.
    """

    def __init__(self, say: Callable[[str], None], *, after_s: float = 0.0) -> None:
        self._say = say
        self._after_s = after_s or PATIENCE_S
        self._reason = ""
        self._timer: asyncio.TimerHandle | None = None
        self._is_told = False
        self._warned = 0

    def certificates(self, left_ms: int, text: str) -> None:
        """Hear how long the first certificate to end holds: told days ahead, once."""
        left_days = left_ms / (DAY_S * 1_000)
        warned = sum(left_days <= each for each in (*WARN_DAYS, 0))
        if warned > self._warned:
            self._say(text)
        self._warned = warned

    def trouble(self, reason: str) -> None:
        """Hear why it fails, or with an empty *reason* that it works."""
        self._reason = reason
        if not reason:
            self.end()
            if self._is_told:
                self._is_told = False
                self._say("the fleet's broker takes our data again")
        elif self._timer is None and not self._is_told:
            loop = asyncio.get_running_loop()
            self._timer = loop.call_later(self._after_s, self._tell)

    def end(self) -> None:
        """Wait no more."""
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def _tell(self) -> None:
        self._timer, self._is_told = None, True
        why = f"{self._after_s / 60:g} min: {self._reason}"
        self._say(f"the fleet has heard nothing of us for {why}")
