"""What runs beside the publisher: timers by name, and tasks that must not be lost."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Coroutine


class Aside:
    """Timers and tasks of one publisher.

    Args:
        on_bug: Called with the text of an exception that ended a task.
    """

    def __init__(self, on_bug: Callable[[str], None]) -> None:
        self._on_bug = on_bug
        self._timers: dict[str, asyncio.TimerHandle] = {}
        self._tasks: set[asyncio.Task[None]] = set()

    def spawn(self, work: Coroutine[object, object, None]) -> None:
        """Run *work*; no bug of ours may end it in silence."""
        task = asyncio.ensure_future(work)
        self._tasks.add(task)
        task.add_done_callback(self._done)

    def _done(self, task: asyncio.Task[None]) -> None:
        self._tasks.discard(task)
        if not task.cancelled() and (exc := task.exception()) is not None:
            self._on_bug(f"a part of it failed: {exc!r}")

    def later(
        self, name: str, after_s: float, what: Callable[[], None], *, again: bool = True
    ) -> None:
        """Call *what* after a while; *again*: count from now if it was planned."""
        if name in self._timers and not again:
            return

        def do() -> None:
            del self._timers[name]
            what()

        self.forget(name)
        self._timers[name] = asyncio.get_running_loop().call_later(after_s, do)

    def forget(self, *names: str) -> None:
        """Call these no more."""
        for name in names:
            if name in self._timers:
                self._timers.pop(name).cancel()

    def is_planned(self, name: str) -> bool:
        """Return True while *name* has not been called."""
        return name in self._timers

    async def end(self) -> None:
        """Cancel everything, and wait for the tasks."""
        self.forget(*list(self._timers))
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
