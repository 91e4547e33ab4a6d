"""A loop of its own time, which leaps to the next timer instead of waiting for it."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, Any, TypeVar

if TYPE_CHECKING:
    from collections.abc import Coroutine

T = TypeVar("T")
BEGINNING_S = 1_000.0


class Leaping(asyncio.SelectorEventLoop):
    """Does no more than asyncio's own loop, at once."""

    def __init__(self) -> None:
        super().__init__()
        self._leapt_s = BEGINNING_S

    def time(self) -> float:
        return self._leapt_s

    def _run_once(self) -> None:
        inner: Any = self
        if not inner._ready and inner._scheduled:
            self._leapt_s = max(self._leapt_s, inner._scheduled[0]._when)
        inner_run: Any = super()
        inner_run._run_once()


def leap(work: Coroutine[Any, Any, T]) -> T:
    with asyncio.Runner(loop_factory=Leaping) as runner:
        return runner.run(work)


def now_s() -> float:
    """Return the seconds since the loop began."""
    return asyncio.get_running_loop().time() - BEGINNING_S
