"""What the broker refuses, in words; told once a change. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable


class Troubles:
    """One trouble at a time: no connection, or data that is refused.

    Args:
        on_trouble: Gets each new reason, and "" once all is well.
    """

    def __init__(self, on_trouble: Callable[[str], None]) -> None:
        self._on_trouble = on_trouble
        self._refused: dict[str, str] = {}
        self._standing: dict[str, str] = {}
        self._said = ""

    def say(self, reason: str) -> None:
        """Tell *reason*, unless it was told already."""
        if reason != self._said:
            self._said = reason
            self._on_trouble(reason)

    def warn(self, what: str, reason: str) -> None:
        """Take what is wrong with *what* though the connection stands; "" if all is."""
        before = self._warning
        self._standing[what] = reason
        if self._said in {"", before}:
            self.say(self._warning)

    @property
    def _warning(self) -> str:
        return next(filter(None, self._standing.values()), "")

    def unconnected(self, reason: str) -> None:
        """Tell why there is no connection; the next one may refuse other things."""
        self._refused.clear()
        self.say(reason)

    def refused(self, what: str, reason: str) -> None:
        """Note that the broker refuses *what*."""
        self._refused[what] = reason
        self.judge()

    def accepted(self, what: str) -> None:
        """Note that the broker takes *what*."""
        self._refused.pop(what, None)

    def judge(self) -> None:
        """Tell what is refused now: a few topics that are taken do not end it."""
        if not self._refused:
            self.say(self._warning)
            return
        what, reason = next(iter(self._refused.items()))
        more = f" and {len(self._refused) - 1} more" if len(self._refused) > 1 else ""
        self.say(f"the broker refuses our data, {reason}: {what}{more}")
