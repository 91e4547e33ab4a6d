"""The yardstick: pymodbus and asyncio alone, doing the reads of the daemon at 1 Hz.

Arguments: port, number of units, and a JSON list of [address, count]. Prints "ready"
after the first round and goes on until it is ended.
"""

from __future__ import annotations

import asyncio
import json
import sys

from pymodbus.client import AsyncModbusTcpClient


async def main(port: int, units: int, asks: list[tuple[int, int]]) -> None:
    client = AsyncModbusTcpClient("127.0.0.1", port=port, timeout=1.0, retries=0)
    if not await client.connect():
        raise SystemExit("no connection")
    loop = asyncio.get_running_loop()
    next_s, is_first = loop.time(), True
    while True:
        for unit in range(1, units + 1):
            for address, count in asks:
                answer = await client.read_holding_registers(
                    address, count=count, device_id=unit
                )
                if answer.isError() or len(answer.registers) != count:
                    raise SystemExit(str(answer))
        if is_first:
            is_first = False
            print("ready", flush=True)
        next_s += 1.0
        await asyncio.sleep(next_s - loop.time())


asyncio.run(main(int(sys.argv[1]), int(sys.argv[2]), json.loads(sys.argv[3])))
