"""The alarms of one step, with what a step would else look through all of them for."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tocsin.core.alarm import NEVER_MS, Alarm
from tocsin.core.chunks import SHIFT, SIZE, Draft, Moments

if TYPE_CHECKING:
    from tocsin.core.site import Site
    from tocsin.core.state import State


class Table(Draft[Alarm]):
    """Every alarm at its position; replace them one by one, and only so."""

    def __init__(self, state: State, site: Site) -> None:
        super().__init__(state.alarms)
        self._groups, self._group_at = site.groups, site.group_at
        if state.dues is None:
            self._dues = Moments([NEVER_MS] * len(site.groups))
            self._moved = set(range(len(site.groups)))
        else:
            self._dues, self._moved = state.dues.copied(), set[int]()
        self._stirred = state.stirred

    def __setitem__(self, i: int, new: Alarm) -> None:
        old = self.put(i, new)
        self._moved.add(self._group_at[i])
        was = old.active, old.base, old.suppressed
        if was != (new.active, new.base, new.suppressed):
            self._stirred = None

    def dues(self) -> Moments:
        """Return when time alone will next change each of the site's groups."""
        if self._moved:
            parts = self._parts
            for group in self._moved:
                self._dues[group] = min(
                    [parts[i >> SHIFT][i % SIZE].due_ms for i in self._groups[group]]
                )
            self._moved.clear()
        return self._dues

    def due_ms(self) -> int:
        """Return when time alone will next change any alarm."""
        return self.dues().first_ms

    def due_at(self, now_ms: int) -> list[int]:
        """Return the positions of what is due, in their order."""
        late = self.dues().until(now_ms)
        members = sorted(i for group in late for i in self._groups[group])
        return [i for i, alarm in self.each(members) if alarm.due_ms <= now_ms]

    def stirred(self) -> tuple[int, ...]:
        """Return the positions of what is raised, or explained by another."""
        if self._stirred is None:
            self._stirred = tuple(
                i for i, alarm in enumerate(self) if alarm.is_raised or alarm.suppressed
            )
        return self._stirred

    def restless(self, groups: range) -> set[int]:
        """Return which of *groups* have a member that is raised or begins to be."""
        found = set(self.dues().until(NEVER_MS - 1, groups))
        return found.union(
            group for i in self.stirred() if (group := self._group_at[i]) in groups
        )
