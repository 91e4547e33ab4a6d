"""How long a line must be silent between two requests. Pure."""

from __future__ import annotations

from typing import TypeAlias

from tocsin.ports import SerialLine, TcpLine

Where: TypeAlias = TcpLine | SerialLine

CHARACTER_BITS = 11
"""Start, 8 data, parity or second stop, stop: Modbus over Serial Line V1.02, 2.5.1."""

FIXED_SILENCE_S = 0.00175
"""t3.5 above 19 200 baud: Modbus over Serial Line V1.02, 2.5.1.1."""

LEAST_GAP_S = 0.02
"""USB adapters hold bytes back for up to 16 ms; common practice, no source."""


def gap_s(where: Where) -> float:
    """Return the silence between two requests: t3.5 or 20 ms, whichever is longer."""
    match where:
        case TcpLine(framing="rtu"):
            return LEAST_GAP_S
        case TcpLine():
            return 0.0
        case SerialLine(baud=baud):
            fast = 19_200
            t35_s = FIXED_SILENCE_S if baud > fast else 3.5 * CHARACTER_BITS / baud
            return max(t35_s, LEAST_GAP_S)
