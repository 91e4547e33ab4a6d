"""A person at a plain terminal, a phone over SSH included; and nobody at all."""

from __future__ import annotations

import os
import select
import shutil
import sys
import textwrap
from dataclasses import dataclass, field

from tocsin.prove.person import StoppedError

WIDEST = 72
PIECE = 4_096


@dataclass(slots=True)
class Terminal:
    """Asks on standard output and reads lines from standard input."""

    is_there: bool = True
    _rest: str = field(default="", init=False)
    _asked: str = field(default="", init=False)
    _shown: str = field(default="", init=False)

    def say(self, text: str) -> None:
        """Show a paragraph, no wider than the screen."""
        self._clear()
        self._asked = ""
        width = min(WIDEST, shutil.get_terminal_size().columns - 1)
        for paragraph in text.strip().split("\n"):
            print("\n".join(textwrap.wrap(paragraph, max(20, width)) or [""]))
        sys.stdout.flush()

    def prompt(self, text: str) -> None:
        """Show what is asked."""
        self._clear()
        *before, self._asked = text.split("\n")
        for line in before:
            self.say(line)
        self._asked = text.rpartition("\n")[2]
        print(self._asked, end="", flush=True)

    def status(self, text: str) -> None:
        """Show what changes, in the line of the question; nothing in a pipe."""
        if text == self._shown or not sys.stdout.isatty():
            return
        width = shutil.get_terminal_size().columns - 1
        line = f"{text}{self._asked.strip()} " if self._asked else text
        print(f"\r\x1b[K{line[:width]}", end="", flush=True)
        self._shown = text

    def wait(self, seconds: float) -> str | None:
        """Return a line once there is one.

        Raises:
            StoppedError: standard input has ended.
        """
        if "\n" not in self._rest and select.select([sys.stdin], [], [], seconds)[0]:
            piece = os.read(sys.stdin.fileno(), PIECE)
            if not piece:
                raise StoppedError
            self._rest += piece.decode(errors="replace")
        if "\n" not in self._rest:
            return None
        line, _, self._rest = self._rest.partition("\n")
        self._shown = ""
        return line

    def _clear(self) -> None:
        if self._shown:
            print("\r\x1b[K", end="")
            self._shown = ""


@dataclass(slots=True)
class Nobody:
    """Says what happens, and never answers."""

    is_there: bool = False

    def say(self, text: str) -> None:
        """Write a line."""
        print(" ".join(text.split()), flush=True)

    def prompt(self, text: str) -> None:
        """Nobody is asked."""

    def status(self, text: str) -> None:
        """Nobody looks."""

    def wait(self, seconds: float) -> str | None:
        """Return None after *seconds*."""
        select.select([], [], [], seconds)
        return None
