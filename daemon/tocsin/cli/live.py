"""``tocsin show --live``: what the daemon sees, drawn anew every second."""

from __future__ import annotations

import threading
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from rich.console import Console, Group
from rich.live import Live
from rich.text import Text

from tocsin import control
from tocsin.cli.scene import scene
from tocsin.clock import stopwatch_s

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from rich.console import RenderableType

    from tocsin.core.site import Site

EVERY_S = 1.0
STALE_S = 3.0
"""From so old an answer on nothing of it is drawn as if it were so now."""


@dataclass(slots=True)
class Watched:
    """The newest answer and how old it is.

    Attributes:
        show: None before the first answer.
        heard_s: When it came, by `stopwatch_s`.
        trouble: Why there is no newer one; empty if there is.
    """

    heard_s: float
    show: Mapping[str, Any] | None = None
    trouble: str = ""

    def ask(self, path: Path) -> None:
        """Ask the daemon once; what it does not answer only ages."""
        try:
            said = control.ask(path, {"do": "show"})
        except control.ControlError as exc:
            self.trouble = str(exc)
            return
        if not said.get("ok"):
            self.trouble = str(said.get("why", "no answer"))
            return
        self.show, self.trouble = said["show"], ""
        self.heard_s = stopwatch_s()


def watch(path: Path, site: Site, console: Console | None = None) -> None:
    """Draw until interrupted, and leave the terminal as it was."""
    console = Console() if console is None else console
    watched = Watched(stopwatch_s())
    asking = threading.Thread(
        target=_ask_for_ever, args=(watched, path), name="asking", daemon=True
    )
    asking.start()
    with (
        suppress(KeyboardInterrupt),
        Live(
            console=console,
            screen=True,
            auto_refresh=False,
            vertical_overflow="crop",
        ) as live,
    ):
        while True:
            live.update(picture(watched, site, stopwatch_s()), refresh=True)
            _pause(EVERY_S / 2)


def picture(watched: Watched, site: Site, now_s: float) -> RenderableType:
    """Return the scene, under a line that says how fresh it is; grey if it is not."""
    age_s = now_s - watched.heard_s
    why = f" ({watched.trouble})" if watched.trouble else ""
    if watched.show is None:
        return Text(f"waiting for the daemon of {site.name}{why}", style="bold yellow")
    if age_s < STALE_S and not watched.trouble:
        line = Text(f"{site.name}  {watched.show['at']}  live, Ctrl-C ends", "bold")
        return Group(line, scene(watched.show, site))
    told = f"NOT LIVE: the newest answer is {age_s:.0f} s old{why}. Below is the past."
    past = Console(width=PAST_WIDTH, color_system=None)
    with past.capture() as caught:
        past.print(scene(watched.show, site))
    return Group(Text(told, "bold white on red"), Text(caught.get(), "bright_black"))


PAST_WIDTH = 100


def _ask_for_ever(watched: Watched, path: Path) -> None:
    while True:
        watched.ask(path)
        _pause(EVERY_S)


def _pause(seconds: float) -> None:
    threading.Event().wait(seconds)
