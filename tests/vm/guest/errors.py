"""Puts hand-made error frames on vcan0, as a controller's driver would.

Used as ``python errors.py CLASS DETAIL SECONDS``: the class bits of the identifier and
the controller's detail byte, hexadecimal (Linux, ``include/uapi/linux/can/error.h``),
once a second. A virtual bus has no errors of its own.
"""

from __future__ import annotations

import sys
import time

import can

CHANNEL = "vcan0"


def main() -> None:
    classes, detail = (int(word, 16) for word in sys.argv[1:3])
    message = can.Message(
        arbitration_id=classes,
        data=bytes((0, detail, 0, 0, 0, 0, 0, 0)),
        is_error_frame=True,
        is_extended_id=False,
    )
    with can.Bus(interface="socketcan", channel=CHANNEL) as bus:
        for _ in range(int(sys.argv[3])):
            bus.send(message)
            time.sleep(1.0)


if __name__ == "__main__":
    main()
