"""The MQTT room on a real broker, told by a core that a test plays."""

from __future__ import annotations

import asyncio
import json
from contextlib import asynccontextmanager, contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import broker
from asyncapi import Recorder
from core_builders import CHARGE, Player, low_rule, output, reading, rule, site
from homie5 import Controller
from tocsin.core.rules import Action, Measure, Role
from tocsin.core.site import Timing
from tocsin.fleet_port import FleetSpec
from tocsin.mqtt import Publisher, Surroundings, uplink
from tocsin.mqtt.leftovers import Leftovers
from tocsin.ports import BrokerSpec
from tocsin.show import show_json
from tocsin.wire import fact_json

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable, Iterator, Sequence
    from pathlib import Path

    from tocsin.core.events import Fact
    from tocsin.core.site import Site
    from tocsin.mqtt import Request

WALL_MS = 1_768_586_400_000
SITE_ID = "fern-ridge-hut"
ROOT = f"homie/5/{SITE_ID}"
LEFT, RIGHT = f"{ROOT}-left", f"{ROOT}-right"
STATE = f"{ROOT}/$state"
EVENTS = f"{ROOT}/events/event"


def hut(**changes: Any) -> Site:
    """Return a small site with one of each thing that is published."""
    packs = changes.pop("packs", ("left", "right"))
    made = site(
        rule(actions=(CHARGE,)),
        low_rule(actions=(Action(role=Role.GENERATOR_CALL),)),
        rule("trouble", measure=Measure.TROUBLE, trip_at=1, clear_at=0),
        packs=packs,
        outputs=[
            output("charge", Role.CHARGE_PERMIT),
            output("horn", Role.HORN),
            output("diesel", Role.GENERATOR_CALL),
        ],
        timing=Timing(good_scans=1),
        **changes,
    )
    object.__setattr__(made, "name", "Fern Ridge hut")
    return made


@dataclass(frozen=True, slots=True)
class Written:
    """A row of a journal that lies in memory."""

    id: int
    run_id: str
    seq: int
    wall_ms: int
    detail: str


@dataclass
class Journal:
    """A journal in memory; *broken* while it cannot be read."""

    run_id: str = "run-1"
    rows: list[Written] = field(default_factory=list)
    broken: bool = False

    def write(self, facts: Sequence[Fact]) -> None:
        for fact in facts:
            number = 1 + sum(row.run_id == self.run_id for row in self.rows)
            detail = json.dumps(fact_json(fact))
            self.rows.append(
                Written(len(self.rows) + 1, self.run_id, number, WALL_MS, detail)
            )

    def read(
        self, *, after_id: int = 0, most: int = 200, newest: bool = False
    ) -> list[Written] | None:
        if self.broken:
            return None
        found = [row for row in self.rows if row.id > after_id]
        return found[-most:] if newest else found[:most]

    def alarms(self) -> list[tuple[str, int]]:
        return [(r.run_id, r.seq) for r in self.rows if '"kind": "alarm"' in r.detail]


@dataclass
class Stage:
    """One publisher and the core behind it."""

    publisher: Publisher
    player: Player
    journal: Journal
    asked: list[Request]
    refused: list[str]
    troubles: list[str]
    dates: list[tuple[int, str]]
    notes: list[str]
    is_deciding: bool = True
    wall_ms: int = WALL_MS

    def play(self, *events: Any) -> None:
        """Step the core, and tell what the shell would tell."""
        self.player.play(*events)
        self.tell(self.player.outcomes[-1].facts)

    def tell(self, facts: Sequence[Fact] = ()) -> None:
        """Write *facts* to the journal and show the newest outcome."""
        self.journal.write(facts)
        self.publisher.stored()
        self.show()

    def show(self) -> None:
        outcome = self.player.outcomes[-1]
        snapshot = show_json(outcome, self.player.site, wall_ms=self.wall_ms)
        self.publisher.show(outcome, snapshot)
        if self.is_deciding:
            self.publisher.alive()

    def hear(self, at_ms: int, **cells_of: tuple[int, ...]) -> None:
        """Let both packs be read."""
        even = (3_300, 3_300, 3_300, 3_300)
        for pack in self.player.site.pack_at:
            self.play(reading(at_ms, *cells_of.get(pack, even), pack=pack))

    async def until(self, done: Callable[[], object], within_s: float = 20) -> None:
        async with asyncio.timeout(within_s):
            while not done():
                if self.is_deciding:
                    self.publisher.alive()
                await asyncio.sleep(0.01)


def stage(
    port: int, folder: Path, *, of: Site | None = None, journal: Journal | None = None,
    run_id: str = "run-1", wall_ms: int = WALL_MS,
    fleet: dict[str, Any] | None = None, **spec: Any,
) -> Stage:  # fmt: skip
    """Return a stage that is not entered yet; with *fleet*, of the link to a fleet."""
    book = journal or Journal()
    book.run_id = run_id
    asked: list[Request] = []
    refused: list[str] = []
    troubles: list[str] = []
    dates: list[tuple[int, str]] = []
    notes: list[str] = []
    made: list[Stage] = []

    async def obey(request: Request) -> tuple[bool, str]:
        asked.append(request)
        return True, "1 changed"

    around = Surroundings(
        run_id=run_id,
        folder=folder,
        rows=book.read,
        wall_ms=lambda: made[0].wall_ms if made else wall_ms,
        on_trouble=troubles.append,
        on_certificates=lambda left_ms, text: dates.append((left_ms, text)),
        on_certificate_note=notes.append,
        obey=obey,
        on_refused=refused.append,
    )
    where = of or hut()
    told = BrokerSpec(**{"host": "127.0.0.1", "port": port, **spec})
    if fleet is None:
        publisher = Publisher(told, site=where, around=around, seed=1)
    else:
        pages = fleet.pop("pages", None)
        publisher = uplink(
            FleetSpec(broker=told, **fleet),
            site=where,
            around=around,
            pages=pages,
            seed=1,
        )
    heard = asked, refused, troubles, dates, notes
    made.append(Stage(publisher, Player(where), book, *heard, wall_ms=wall_ms))
    return made[0]


@asynccontextmanager
async def publishing(port: int, folder: Path, **how: Any) -> AsyncIterator[Stage]:
    """Run a publisher whose packs have been heard once."""
    made = stage(port, folder, **how)
    async with made.publisher:
        made.hear(1_000)
        yield made


@contextmanager
def judged(port: int, domain: str = "homie") -> Iterator[broker.Ears]:
    """Listen to everything, and let both judges see it; nothing may be wrong."""
    with broker.listening(port) as ears:
        yield ears
    told = verdict(ears, domain)
    assert told == [], told


def verdict(ears: broker.Ears, domain: str = "homie") -> list[str]:
    """Return what the convention or the documentation forbids of what was heard."""
    controller, recorder = Controller(domain=domain), Recorder()
    for each in list(ears.messages):
        controller.take(
            each.topic,
            each.payload,
            retained=each.retained,
            qos=each.qos,
            expiry=each.expiry,
            is_stored=each.is_stored,
        )
        if each.topic.startswith((f"{domain}/", "reply/")):
            recorder.take(
                each.topic, each.payload, retained=each.retained, expiry=each.expiry
            )
    return controller.faults + recorder.faults


@contextmanager
def quick_sweep(monkeypatch: Any) -> Iterator[None]:
    """Look for leftovers at once."""
    monkeypatch.setattr(Leftovers, "WAIT_S", 0.1)
    monkeypatch.setattr(Leftovers, "LISTEN_S", 1.0)
    yield
