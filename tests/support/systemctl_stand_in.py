"""A stand-in for systemctl, for one service in a root of its own. Run as a program.

It does what systemctl(1), systemd.service(5) and sd_notify(3) say of `Type=notify`:
start waits for READY=1 and fails if the process ends or the time is over before it.
What it does not know is an error, so that no test passes by accident.
"""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path

HOME = Path(os.environ["STAND_IN"])
ROOT = Path(os.environ["TOCSIN_ROOT"])
UNIT = ROOT / "etc/systemd/system/tocsin.service"
START_S = float(os.environ.get("STAND_IN_START_S", "5"))
STATE = HOME / "service.json"


def state() -> dict[str, int]:
    return json.loads(STATE.read_text()) if STATE.exists() else {}


def is_active() -> bool:
    pid = state().get("pid", 0)
    try:
        # Of a process that ended only its entry is left, until somebody waits for it.
        words = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    except OSError:
        return False
    return bool(pid) and words[0] not in "ZX"


def start() -> int:
    line = next(
        each for each in UNIT.read_text().splitlines() if each.startswith("ExecStart=")
    )
    words = [
        str(ROOT) + word if word.startswith("/") else word
        for word in line.removeprefix("ExecStart=").split()
    ]
    path = HOME / "notify"
    path.unlink(missing_ok=True)
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as notified:
        notified.bind(str(path))
        notified.settimeout(0.05)
        with (HOME / "log").open("ab") as log:
            child = subprocess.Popen(
                words,
                env={**os.environ, "NOTIFY_SOCKET": str(path)},
                stdout=log,
                stderr=log,
                stdin=subprocess.DEVNULL,
                start_new_session=True,
            )
        STATE.write_text(json.dumps({"pid": child.pid}))
        ends_s = time.monotonic() + START_S  # noqa: TID251 no clock of the daemon's
        while time.monotonic() < ends_s and child.poll() is None:  # noqa: TID251
            with suppress(TimeoutError):
                if b"READY=1" in notified.recv(4_096):
                    return 0
    stop()
    return 1


def stop() -> None:
    if is_active():
        os.kill(state()["pid"], signal.SIGKILL)
        while is_active():
            time.sleep(0.01)
    STATE.unlink(missing_ok=True)


def main(words: list[str]) -> int:
    with (HOME / "calls").open("a") as calls:
        calls.write("systemctl " + " ".join(words) + "\n")
    code = 0
    match words:
        case ["is-active", "--quiet", "tocsin.service"]:
            code = 0 if is_active() else 3
        case ["is-active", "tocsin.service"]:
            is_looping = (HOME / "looping").exists()
            print("activating" if is_looping else "active" if is_active() else "failed")
            code = 0 if is_active() else 3
        case ["daemon-reload"]:
            pass
        case ["restart", "tocsin.service"]:
            stop()
            code = start()
        case ["stop", "tocsin.service"] | ["disable", "--now", "tocsin.service"]:
            stop()
        case ["show", "--property", "NRestarts", "--value", "tocsin.service"]:
            print(0)
        case _:
            print(f"stand-in: not known: {words}", file=sys.stderr)
            code = 99
    return code


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
