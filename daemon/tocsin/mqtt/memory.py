"""What must outlive the process: which events the broker has, what we left there.

Losing the file costs little: events are sent from the start of this run, and what an
earlier configuration announced stays until somebody removes it.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING

from tocsin import files
from tocsin.mqtt.events import Mark

if TYPE_CHECKING:
    from pathlib import Path

FILE = "mqtt.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class Memory:
    """What is remembered.

    Attributes:
        mark: The last event that the broker has; None if nothing is known.
        devices: Every device ever published, that is not known to be removed.
        announced: Topics of announcements that were sent.
    """

    mark: Mark | None = None
    devices: tuple[str, ...] = ()
    announced: tuple[str, ...] = ()


def load(path: Path) -> Memory:
    """Return what the file at *path* says; nothing, if it cannot be read."""
    try:
        told = json.loads(path.read_text(encoding="utf-8"))
        mark = told["mark"]
        return Memory(
            mark=None if mark is None else Mark(**mark),
            devices=tuple(map(str, told["devices"])),
            announced=tuple(map(str, told["announced"])),
        )
    except (OSError, ValueError, KeyError, TypeError):
        return Memory()


def save(path: Path, memory: Memory) -> None:
    """Write the file whole or not at all.

    Raises:
        OSError: the disk does not take it; the old file is still there.
    """
    files.save(path, json.dumps(asdict(memory)))
