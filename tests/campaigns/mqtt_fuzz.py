"""Random and nearly right payloads on every command topic of a real broker.

    python -m tests.campaigns.mqtt_fuzz --count 200000

One in five is retained, one in three goes to a topic that is no command. Whatever is
obeyed must be allowed by an opinion of its own (`tests/support/mqtt_commands.py`).
Prints messages a second, what was obeyed, and the memory of the process. Exit code 0:
nothing crashed, nothing was obeyed that should not be, and memory stayed flat.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import random
import sys
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

import broker
from mqtt_commands import VERBS, WORDS, at, may_be_obeyed, payload
from mqtt_stage import ROOT, STATE, WALL_MS, publishing

if TYPE_CHECKING:
    from mqtt_stage import Stage

WARM = 0.2
"""Memory is compared from here on: buffers fill at first."""

GROWTH_KB = 4_096
BATCH = 200


def resident_kb() -> int:
    """Return the process's memory, of Linux's own account."""
    text = Path("/proc/self/status").read_text(encoding="ascii")
    line = next(line for line in text.splitlines() if line.startswith("VmRSS"))
    return int(line.split()[1])


@dataclass
class Campaign:
    """What was sent and what came of it.

    Attributes:
        allowed: Ids of what may be obeyed, by verb: small beside what is sent.
    """

    count: int
    chance: random.Random
    allowed: dict[str, set[str]] = field(default_factory=dict)
    wrong: list[str] = field(default_factory=list)
    obeyed: int = 0
    memory_kb: list[int] = field(default_factory=list)

    def one(self, number: int) -> tuple[str, bytes, bool]:
        """Return topic, payload and retain flag of a message."""
        words = VERBS if self.chance.random() < 2 / 3 else WORDS
        word = self.chance.choice(words)
        data = payload(self.chance, WALL_MS, number)
        kept = self.chance.random() < 0.2
        if may_be_obeyed(data, word, retained=kept, wall_ms=WALL_MS):
            self.allowed.setdefault(word, set()).add(json.loads(data)["id"])
        return f"{ROOT}/command/{word}/set", data, kept

    def judge(self, on: Stage) -> None:
        """Look at what was obeyed since the last time."""
        for each in on.asked:
            self.obeyed += 1
            if each.id not in self.allowed.get(each.verb.value, set()):
                self.wrong.append(f"{each.verb} {each.id} was obeyed")
        on.asked.clear()
        on.refused.clear()

    async def run(self, port: int, folder: Path, ears: broker.Ears) -> None:
        """Send everything."""
        async with publishing(port, folder, is_commanded=True) as on:
            await on.until(lambda: ears.kept.get(STATE) == b"ready")
            with broker.speaking(port) as mouth:
                for number in range(self.count):
                    topic, data, kept = self.one(number)
                    is_last = number % BATCH == BATCH - 1
                    await asyncio.to_thread(
                        mouth.say, topic, data, retain=kept, wait=True
                    ) if is_last else mouth.say(topic, data, retain=kept, wait=False)
                    if is_last:
                        on.publisher.alive()
                        self.judge(on)
                    if number % max(1, self.count // 20) == 0:
                        self.memory_kb.append(resident_kb())
                await asyncio.sleep(0.5)
                self.judge(on)
                await self.still_obeys(on, mouth)
            if any(on.troubles):
                self.wrong.append(f"trouble: {on.troubles}")

    async def still_obeys(self, on: Stage, mouth: broker.Mouth) -> None:
        """After all that, a sound command is obeyed once the rate allows it."""
        for number in range(60):
            said = json.dumps({"id": f"end-{number}", "at": at(WALL_MS)})
            mouth.say(f"{ROOT}/command/reset/set", said)
            await asyncio.sleep(0.5)
            if any(each.id.startswith("end-") for each in on.asked):
                return
        self.wrong.append("it obeys nothing any more")

    @property
    def growth_kb(self) -> int:
        """Return how much memory grew after the warm-up."""
        warm = self.memory_kb[int(len(self.memory_kb) * WARM) :]
        return warm[-1] - warm[0]


def main() -> int:
    """Run the campaign; return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("--count", type=int, default=200_000)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    campaign = Campaign(args.count, random.Random(args.seed))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with (
            broker.running(folder) as running,
            broker.listening(running.port, STATE) as ears,
        ):
            begun_s = time.perf_counter()
            asyncio.run(campaign.run(running.port, folder, ears))
            took_s = time.perf_counter() - begun_s
    memory = campaign.memory_kb
    print(
        f"{args.count} messages in {took_s:.0f} s, {args.count / took_s:.0f} a second"
    )
    print(f"{campaign.obeyed} obeyed, each of them allowed: {not campaign.wrong}")
    print(f"memory {memory[0]} kB at first, {memory[-1]} kB at last, ", end="")
    print(f"{campaign.growth_kb:+d} kB after the warm-up")
    for text in campaign.wrong[:20]:
        print(f"WRONG: {text}")
    is_flat = args.count < 20 * BATCH or campaign.growth_kb < GROWTH_KB
    return 0 if not campaign.wrong and is_flat else 1


if __name__ == "__main__":
    sys.exit(main())
