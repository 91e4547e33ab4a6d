"""Asks the running daemon for something without pause, so that it writes rows.

Four people at once on the control socket; each question is a row of the journal.
"""

from __future__ import annotations

import itertools
import sys
import threading
import time
from pathlib import Path

from tocsin.control import ControlError, ask, socket_path

CALLERS = 4


def call(caller: int, folder: Path) -> None:
    for n in itertools.count():
        try:
            ask(
                socket_path(folder),
                {"do": "acknowledge", "by": f"caller {caller}, for the {n}th time"},
            )
        except ControlError:
            time.sleep(0.05)


if __name__ == "__main__":
    for number in range(CALLERS):
        threading.Thread(target=call, args=(number, Path(sys.argv[1]))).start()
