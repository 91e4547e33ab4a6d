"""What is asked of the person who proves, whatever they sit at."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

TICK_S = 0.5

YES_NO = {"y": "yes", "n": "no", "s": "skip"}


class StoppedError(Exception):
    """The person wants no more for now; what was done is kept."""


class Person(Protocol):
    """Somebody to talk to, or nobody."""

    is_there: bool

    def say(self, text: str) -> None:
        """Show a paragraph."""
        ...

    def prompt(self, text: str) -> None:
        """Show what is asked; the answer is a line."""
        ...

    def status(self, text: str) -> None:
        """Show what changes while something is waited for."""
        ...

    def wait(self, seconds: float) -> str | None:
        """Return a line once there is one, or None after *seconds*.

        Raises:
            StoppedError: nobody will ever answer.
        """
        ...


def choose(
    person: Person,
    question: str,
    choices: Mapping[str, str] = YES_NO,
    status: Callable[[], str] = lambda: "",
) -> str:
    """Return the key of what was chosen; ``q`` stops, nothing typed is asked again.

    *status* is called while the answer is waited for, and what it says is shown.

    Raises:
        StoppedError: the person stops.
    """
    words = "  ".join(f"{key} {word}" for key, word in {**choices, "q": "stop"}.items())
    person.prompt(f"{question}\n  [{words}] ")
    while True:
        answer = person.wait(TICK_S)
        if answer is None:
            person.status(status())
            continue
        key = answer.strip().lower()[:1]
        if key == "q":
            raise StoppedError
        if key in choices:
            return key
        person.prompt(f"  Please type one of {', '.join([*choices, 'q'])}: ")


def written(person: Person, question: str, default: str = "") -> str:
    """Return a line of text, or *default* for an empty one; nobody writes nothing."""
    if not person.is_there:
        return default
    person.prompt(f"{question}{f' [{default}]' if default else ''}: ")
    while (text := person.wait(TICK_S)) is None:
        pass
    return text.strip()[:500] or default
