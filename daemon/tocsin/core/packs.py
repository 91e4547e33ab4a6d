"""The packs of one step, with what a step would else look through all of them for."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from tocsin.core.alarm import NEVER_MS
from tocsin.core.bank import looks_full
from tocsin.core.chunks import Draft, Moments
from tocsin.core.levels import is_sighted
from tocsin.core.measures import PackState

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from tocsin.core.site import Site

SHARING_PERMILLE = 100
"""Strings are compared from a mean of 0.1C on; common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tally:
    """What was found in all packs.

    Attributes:
        heard: When each pack was heard last; never for one that is lost.
        sums_ma: The known currents of each string's packs, added up.
        total_ma: The strings' currents, added up.
        mute: So many packs are offline or nobody says their current.
        shared: So many are lent a current that was divided evenly.
        unsighted: So many are not yet read often enough, or not lately.
        unfilled: So many do not look full.
    """

    heard: Moments
    sums_ma: tuple[int, ...]
    total_ma: int = 0
    mute: int = 0
    shared: int = 0
    unsighted: int = 0
    unfilled: int = 0


class Packs(Draft[PackState]):
    """Every pack at its position; replace them one by one, and only so.

    What is kept of all follows from the packs alone. Sums are of integers, so the order
    in which packs come and go makes no difference to them.
    """

    def __init__(
        self, packs: Sequence[PackState], site: Site, tally: Tally | None
    ) -> None:
        super().__init__(packs)
        self._site = site
        known = tally or Tally(
            heard=Moments([NEVER_MS] * len(packs)),
            sums_ma=(0,) * len(site.bank.strings),
        )
        self._heard, self._sums_ma = known.heard.copied(), list(known.sums_ma)
        self._total_ma, self._mute = known.total_ma, known.mute
        self._shared, self._unsighted = known.shared, known.unsighted
        self._unfilled = known.unfilled
        if tally is None:
            for i, pack in enumerate(packs):
                self._count(i, pack, 1)

    def __setitem__(self, i: int, new: PackState) -> None:
        self._count(i, self.put(i, new), -1)
        self._count(i, new, 1)

    def _count(self, i: int, pack: PackState, sign: int) -> None:
        """Let pack *i* count (1), or no more (-1)."""
        site = self._site
        if sign > 0:
            self._heard[i] = pack.heard_ms if pack.online else NEVER_MS
        self._unsighted += sign * (not is_sighted((pack,), site))
        self._unfilled += sign * (not looks_full(pack, site))
        self._shared += sign * any(lent.shared > 1 for lent in pack.lent)
        current_ma = pack.sample.current_ma if pack.sample and pack.online else None
        if current_ma is None:
            self._mute += sign
            return
        string, size = site.string_of[i]
        before_ma = self._sums_ma[string]
        after_ma = self._sums_ma[string] = before_ma + sign * current_ma
        self._total_ma += after_ma // size - before_ma // size

    def tally(self) -> Tally:
        """Return what to remember besides the packs."""
        return Tally(
            heard=self._heard,
            sums_ma=tuple(self._sums_ma),
            total_ma=self._total_ma,
            mute=self._mute,
            shared=self._shared,
            unsighted=self._unsighted,
            unfilled=self._unfilled,
        )

    @property
    def are_sighted(self) -> bool:
        """Return True while every pack has been read often enough and lately."""
        return not self._unsighted

    @property
    def look_full(self) -> bool:
        """Return True while every pack looks full."""
        return not self._unfilled

    def stale_ms(self) -> int:
        """Return when the first pack that is heard will be stale."""
        return self._heard.first_ms + self._site.timing.stale_ms

    def stale_at(self, now_ms: int) -> Iterator[tuple[int, PackState]]:
        """Yield each pack that is stale and was not lost yet, with its position."""
        yield from self.each(self._heard.until(now_ms - self._site.timing.stale_ms))

    def shares_permille(self) -> dict[str, int]:
        """Return how far each string is from an equal share of the current.

        Empty while a current is not known, or the mean is too small to compare; and
        where one sensor's current was divided evenly, for that says nothing of shares.
        """
        site, strings = self._site, self._site.bank.strings
        mean_ma = self._total_ma // len(strings)
        least_ma = site.bank.capacity_mah * SHARING_PERMILLE // 1_000
        if self._mute or self._shared or abs(mean_ma) < least_ma:
            return {}
        rows = zip(strings, self._sums_ma, site.string_sizes, strict=True)
        return {
            string: abs(sum_ma // size - mean_ma) * 1_000 // abs(mean_ma)
            for string, sum_ma, size in rows
        }
