"""Does what the test outside asks: JSON lines on a virtio port, one answer each.

Asked ``{"sh": line, "timeout_s": n}`` it answers ``{"rc", "out"}``; ``{"begin": line}``
starts a program and answers with its process id in ``out``; ``{"path", "text"}`` writes
a file. At its own start it says ``{"ready": uptime in s, "boot_id"}``.
"""

from __future__ import annotations

import json
import os
import subprocess
import time
from pathlib import Path
from typing import Any

PORT = Path("/dev/virtio-ports/lab.ctl")
LOG = Path("/run/lab-begun.log")


def answer(asked: dict[str, Any]) -> dict[str, Any]:
    """Do what is asked and return how it went."""
    if "path" in asked:
        path = Path(asked["path"])
        begun = path.with_name(f".{path.name}.begun")
        begun.write_text(asked["text"])
        begun.replace(path)
        return {"rc": 0, "out": ""}
    if "begin" in asked:
        with LOG.open("ab") as log:
            process = subprocess.Popen(
                ["/bin/bash", "-c", f"exec {asked['begin']}"],
                start_new_session=True,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
            )
        return {"rc": 0, "out": str(process.pid)}
    done = subprocess.run(
        ["/bin/bash", "-c", asked["sh"]],
        check=False,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        timeout=asked["timeout_s"],
    )
    return {"rc": done.returncode, "out": done.stdout.decode("utf-8", "replace")}


def main() -> None:
    while not PORT.exists():
        time.sleep(0.05)
    port = os.open(PORT, os.O_RDWR)

    def say(told: dict[str, Any]) -> None:
        data = f"{json.dumps(told)}\n".encode()
        while data:
            data = data[os.write(port, data) :]

    uptime_s = float(Path("/proc/uptime").read_text().split()[0])
    boot_id = Path("/proc/sys/kernel/random/boot_id").read_text().strip()
    say({"ready": uptime_s, "boot_id": boot_id})
    heard = b""
    while True:
        chunk = os.read(port, 65_536)
        if not chunk:  # nobody outside yet
            time.sleep(0.05)
        *lines, heard = (heard + chunk).split(b"\n")
        for line in lines:
            try:
                say(answer(json.loads(line)))
            except subprocess.TimeoutExpired as exc:
                said = (exc.stdout or b"").decode("utf-8", "replace")
                say({"rc": 124, "out": said})
            except Exception as exc:  # noqa: BLE001 whoever asked must hear of it
                say({"rc": 125, "out": repr(exc)})


if __name__ == "__main__":
    main()
