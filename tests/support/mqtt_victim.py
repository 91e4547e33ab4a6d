"""A publisher in a process of its own, to be frozen and killed.

python tests/support/mqtt_victim.py PORT FOLDER EXPIRES_S
"""

from __future__ import annotations

import asyncio
import subprocess
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from mqtt_stage import publishing
from tocsin.mqtt import messages


def victim(port: int, folder: Path, *, expires_s: int = 100) -> subprocess.Popen[bytes]:
    """Start one."""
    command = [sys.executable, __file__, str(port), str(folder), str(expires_s)]
    return subprocess.Popen(command)


async def main(port: int, folder: Path) -> None:
    """Publish until killed."""
    async with publishing(port, folder) as on:
        while True:
            on.show()
            await asyncio.sleep(0.05)


if __name__ == "__main__":
    messages.STATE_EXPIRES_S = int(sys.argv[3])
    messages.STATE_AGAIN_S = 0.5  # type: ignore[assignment]
    asyncio.run(main(int(sys.argv[1]), Path(sys.argv[2])))
