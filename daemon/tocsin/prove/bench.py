"""The daemon's half: one virtual reading at a time, for whoever stays on the line."""

from __future__ import annotations

import asyncio
import json
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING, Any

from tocsin.core.bank import string_currents_ma
from tocsin.core.events import ProofBegin, ProofDue, ProofEnd, ProofFact
from tocsin.prove.records import RecordError, newest

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

    from tocsin.core.engine import Outcome
    from tocsin.core.site import Site
    from tocsin.shell import Inbox

GONE = "whoever proved has gone"
LONGEST_NAME = 80


@dataclass(slots=True)
class _Step:
    """What one step shows, as lines for whoever proves.

    Attributes:
        lines: Objects not sent yet; None for the end.
        levels: Of each output when last looked at.
        seen: Levels of the inputs, likewise.
    """

    site: Site
    lines: asyncio.Queue[dict[str, Any] | None] = field(default_factory=asyncio.Queue)
    levels: dict[str, bool] = field(default_factory=dict)
    seen: dict[str, bool | None] = field(default_factory=dict)
    bank_ma: int | None = None
    crossed_ms: int | None = None
    is_begun: bool = False

    def held(self, outcome: Outcome, held_ms: int) -> None:
        """Note what an outcome changed; its levels were on the pins at *held_ms*."""
        proofs = [fact for fact in outcome.facts if isinstance(fact, ProofFact)]
        self.is_begun |= any(fact.state == "begun" for fact in proofs)
        if not self.is_begun:
            self.levels = {d.output: d.called for d in outcome.demands}
            states = zip(self.site.inputs, outcome.state.inputs, strict=True)
            self.seen = {each.name: state.level for each, state in states}
            return
        for fact in proofs:
            if fact.state == "crossed":
                self.crossed_ms = fact.at_ms
                self._put("crossed", held_ms)
        self._pins(outcome, held_ms)
        self._inputs(outcome, held_ms)
        self._current(outcome, held_ms)
        for fact in proofs:
            if fact.state == "ended":
                self._put("ended", held_ms, why=fact.text)
                self.lines.put_nowait(None)
                self.is_begun = False

    def _pins(self, outcome: Outcome, held_ms: int) -> None:
        for demand in outcome.demands:
            was = self.levels.get(demand.output)
            self.levels[demand.output] = demand.called
            if was is not None and was is not demand.called:
                self._put(
                    "pin",
                    held_ms,
                    output=demand.output,
                    energised=demand.called,
                    because=list(demand.because),
                    proving=demand.proving,
                )

    def _inputs(self, outcome: Outcome, held_ms: int) -> None:
        for each, state in zip(self.site.inputs, outcome.state.inputs, strict=True):
            if self.seen.get(each.name, state.level) is not state.level:
                self._put("input", held_ms, input=each.name, active=state.level)
            self.seen[each.name] = state.level

    def _current(self, outcome: Outcome, held_ms: int) -> None:
        currents = string_currents_ma(outcome.state.packs, self.site)
        bank_ma = None if currents is None else sum(currents.values())
        if bank_ma != self.bank_ma:
            self.bank_ma = bank_ma
            bank_a = None if bank_ma is None else bank_ma / 1000
            self._put("current", held_ms, bank_a=bank_a)

    def _put(self, kind: str, held_ms: int, **more: object) -> None:
        after_ms = None if self.crossed_ms is None else held_ms - self.crossed_ms
        self.lines.put_nowait({"kind": kind, "after_ms": after_ms, **more})


@dataclass(slots=True, kw_only=True)
class Bench:
    """Proves for one caller at a time; a step ends when its caller hangs up.

    Attributes:
        folder: The journal's, which the records lie beside.
        wall_ms: Returns the time of day.
        sha256: Of the site file that the daemon was started with.
        is_rehearsal: Pins are simulated, so records of rehearsals count.
    """

    inbox: Inbox
    site: Site
    folder: Path
    wall_ms: Callable[[], int]
    sha256: str = ""
    is_rehearsal: bool = False
    _step: _Step | None = field(default=None, init=False)

    def held(self, outcome: Outcome, held_ms: int) -> None:
        """Take a step of the core, and when its levels were on the pins."""
        if self._step is not None:
            self._step.held(outcome, held_ms)

    async def prove(
        self,
        asked: Mapping[str, Any],
        reader: asyncio.StreamReader,
        writer: asyncio.StreamWriter,
    ) -> None:
        """Begin a step, tell what it does line by line, and end it with its caller."""
        if self._step is not None:
            await _say(writer, {"ok": False, "why": "another proof test is going on"})
            return
        step = self._step = _Step(self.site)
        try:
            begun = await self._begin(asked)
            try:
                await _say(writer, begun)
            except ConnectionError:
                await self.inbox.ask(partial(ProofEnd, reason=GONE))
                return
            if begun["ok"]:
                await self._follow(step, reader, writer)
        finally:
            self._step = None

    async def _begin(self, asked: Mapping[str, Any]) -> dict[str, Any]:
        try:
            stamp = partial(
                ProofBegin,
                alarm=str(asked["alarm"]),
                subject=str(asked.get("subject", "")),
                by=str(asked.get("by", "control socket"))[:LONGEST_NAME],
                for_ms=int(asked["for_ms"]),
            )
        except (KeyError, TypeError, ValueError, OverflowError):
            return {"ok": False, "why": "say which alarm, and for how long (for_ms)"}
        outcome = await self.inbox.ask(stamp)
        fact = next(fact for fact in outcome.facts if isinstance(fact, ProofFact))
        unit = fact.unit
        return {
            "ok": fact.state == "begun",
            "why": fact.text,
            "subject": fact.subject,
            "virtual": None if fact.virtual is None else unit.shown(fact.virtual),
            "live": None if fact.live is None else unit.shown(fact.live),
            "unit": unit.symbol,
        }

    async def _follow(
        self, step: _Step, reader: asyncio.StreamReader, writer: asyncio.StreamWriter
    ) -> None:
        """Send lines until the step ends; a caller that hangs up ends it."""
        hanging_up = asyncio.ensure_future(_hung_up(reader))
        sending = asyncio.ensure_future(_send(step, writer))
        try:
            await asyncio.wait(
                {hanging_up, sending}, return_when=asyncio.FIRST_COMPLETED
            )
            if hanging_up.done() and not sending.done():
                await self.inbox.ask(partial(ProofEnd, reason=hanging_up.result()))
                await sending
        finally:
            for task in (hanging_up, sending):
                task.cancel()
            await asyncio.gather(hanging_up, sending, return_exceptions=True)

    async def record(
        self,
        asked: Mapping[str, Any],
        reader: asyncio.StreamReader,
        writer: asyncio.StreamWriter,
    ) -> None:
        """Read the newest record again, and say which site file is served."""
        del asked, reader
        why = await self.remember()
        await _say(writer, {"ok": not why, "why": why or "read", "sha256": self.sha256})

    async def remember(self) -> str:
        """Tell the core when the next proof is due; return why not, if so."""
        try:
            record = await asyncio.to_thread(
                newest, self.folder, is_rehearsal=self.is_rehearsal
            )
        except RecordError as exc:
            return str(exc)
        if record is not None:
            in_ms = record.next_due_ms - self.wall_ms()
            await self.inbox.put(partial(ProofDue, in_ms=in_ms))
        return ""


async def _hung_up(reader: asyncio.StreamReader) -> str:
    """Return why the caller wants no more: a line says so, silence means gone."""
    line = b""
    with suppress(ConnectionError, ValueError):
        line = await reader.readline()
    return "whoever proves has ended it" if line else GONE


async def _send(step: _Step, writer: asyncio.StreamWriter) -> None:
    with suppress(ConnectionError):
        while (line := await step.lines.get()) is not None:
            await _say(writer, line)


async def _say(writer: asyncio.StreamWriter, said: Mapping[str, Any]) -> None:
    writer.write(json.dumps(said).encode() + b"\n")
    await writer.drain()
