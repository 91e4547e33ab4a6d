"""The alarms of one step, with what a step would else look through all of them for."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tocsin.core.alarm import NEVER_MS, Alarm
from tocsin.core.chunks import SHIFT, SIZE, Chunks, Part

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from tocsin.core.site import Site
    from tocsin.core.state import State


class Table:
    """Every alarm at its position; replace them one by one, and only so."""

    def __init__(self, state: State, site: Site) -> None:
        alarms = state.alarms
        self._row = alarms if isinstance(alarms, Chunks) else Chunks(alarms)
        self._parts: list[Part[Alarm]] = list(self._row.parts)
        self._is_open = False
        self._groups, self._group_at = site.groups, site.group_at
        if state.dues_ms is None:
            self._dues_ms, self._due_ms = [NEVER_MS] * len(site.groups), NEVER_MS
            self._moved = set(range(len(site.groups)))
        else:
            self._dues_ms, self._moved = list(state.dues_ms), set[int]()
            self._due_ms = min(state.dues_ms, default=NEVER_MS)
        self._stirred = state.stirred

    def __len__(self) -> int:
        return len(self._row)

    def __iter__(self) -> Iterator[Alarm]:
        return iter(self.row())

    def __getitem__(self, i: int) -> Alarm:
        return self._parts[i >> SHIFT][i % SIZE]

    def __setitem__(self, i: int, new: Alarm) -> None:
        part = self._parts[i >> SHIFT]
        if isinstance(part, tuple):
            self._parts[i >> SHIFT] = part = list(part)
        old, part[i % SIZE] = part[i % SIZE], new
        self._is_open = True
        self._moved.add(self._group_at[i])
        was = old.active, old.base, old.suppressed
        if was != (new.active, new.base, new.suppressed):
            self._stirred = None

    def each(self, members: Iterable[int]) -> Iterator[tuple[int, Alarm]]:
        """Yield the alarms at the positions *members*, each as it is by then."""
        parts = self._parts
        for i in members:
            yield i, parts[i >> SHIFT][i % SIZE]

    def row(self) -> Chunks[Alarm]:
        """Return every alarm as it is now."""
        if self._is_open:
            self._row = self._row.replaced(self._parts)
            self._parts[:] = self._row.parts
            self._is_open = False
        return self._row

    def dues_ms(self) -> list[int]:
        """Return when time alone will next change each of the site's groups."""
        if self._moved:
            parts = self._parts
            for group in self._moved:
                self._dues_ms[group] = min(
                    [parts[i >> SHIFT][i % SIZE].due_ms for i in self._groups[group]]
                )
            self._moved.clear()
            self._due_ms = min(self._dues_ms, default=NEVER_MS)
        return self._dues_ms

    def due_ms(self) -> int:
        """Return when time alone will next change any alarm."""
        self.dues_ms()
        return self._due_ms

    def due_at(self, now_ms: int) -> list[int]:
        """Return the positions of what is due, in their order."""
        if self.due_ms() > now_ms:
            return []
        late = [i for i, due_ms in enumerate(self._dues_ms) if due_ms <= now_ms]
        members = sorted(i for group in late for i in self._groups[group])
        return [i for i, alarm in self.each(members) if alarm.due_ms <= now_ms]

    def stirred(self) -> tuple[int, ...]:
        """Return the positions of what is raised, or explained by another."""
        if self._stirred is None:
            self._stirred = tuple(
                i for i, alarm in enumerate(self) if alarm.is_raised or alarm.suppressed
            )
        return self._stirred

    def restless(self, groups: frozenset[int]) -> frozenset[int]:
        """Return which of *groups* have a member that is raised or begins to be."""
        dues_ms = self.dues_ms()
        found = {group for group in groups if dues_ms[group] != NEVER_MS}
        found.update(self._group_at[i] for i in self.stirred())
        return groups & found
