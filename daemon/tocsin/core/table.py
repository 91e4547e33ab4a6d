"""The alarms of one step, with what a step would else look through all of them for."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tocsin.core.alarm import NEVER_MS, Alarm

if TYPE_CHECKING:
    from tocsin.core.site import Site
    from tocsin.core.state import State


class Table(list[Alarm]):
    """Every alarm at its position; replace them one by one, and only so."""

    def __init__(self, state: State, site: Site) -> None:
        super().__init__(state.alarms)
        self._groups, self._group_at = site.groups, site.group_at
        every = range(len(site.groups))
        self._dues_ms = [NEVER_MS for _ in every]
        self._moved = set(every)
        if state.dues_ms is not None:
            self._dues_ms, self._moved = list(state.dues_ms), set()
        self._stirred = state.stirred

    def __setitem__(self, i: int, new: Alarm) -> None:  # type: ignore[override]
        old = self[i]
        super().__setitem__(i, new)
        self._moved.add(self._group_at[i])
        was = old.active, old.base, old.suppressed
        if was != (new.active, new.base, new.suppressed):
            self._stirred = None

    def dues_ms(self) -> list[int]:
        """Return when time alone will next change each of the site's groups."""
        for group in self._moved:
            self._dues_ms[group] = min([self[i].due_ms for i in self._groups[group]])
        self._moved.clear()
        return self._dues_ms

    def due_at(self, now_ms: int) -> list[int]:
        """Return the positions of what is due, in their order."""
        late = [i for i, due_ms in enumerate(self.dues_ms()) if due_ms <= now_ms]
        members = sorted(i for group in late for i in self._groups[group])
        return [i for i in members if self[i].due_ms <= now_ms]

    def stirred(self) -> tuple[int, ...]:
        """Return the positions of what is raised, or explained by another."""
        if self._stirred is None:
            self._stirred = tuple(
                i for i, alarm in enumerate(self) if alarm.is_raised or alarm.suppressed
            )
        return self._stirred
