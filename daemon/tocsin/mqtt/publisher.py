"""The MQTT room's door: told by the event loop, never holding it up."""

from __future__ import annotations

import asyncio
from collections import deque
from contextlib import suppress
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Self

from tocsin.clock import loop_s
from tocsin.mqtt.archive import Archive
from tocsin.mqtt.aside import Aside
from tocsin.mqtt.face import cabin
from tocsin.mqtt.keeper import Keeper
from tocsin.mqtt.life import Life
from tocsin.mqtt.link import IN_FLIGHT, Link
from tocsin.mqtt.messages import Message, state
from tocsin.mqtt.outbox import Outbox
from tocsin.mqtt.peer import NOBODY
from tocsin.mqtt.troubles import Troubles
from tocsin.tls import TlsError

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from types import TracebackType

    from tocsin.core.engine import Outcome
    from tocsin.core.events import Fact
    from tocsin.core.site import Site
    from tocsin.mqtt.around import Surroundings
    from tocsin.mqtt.commands import Heard
    from tocsin.mqtt.face import Face
    from tocsin.ports import BrokerSpec

LEFTOVERS_S = 5.0
READ_AGAIN_S = 10.0
REFUSED_AGAIN_S = 30.0
STUCK_S = 90.0
"""A message unanswered for so long on a connection that claims to live: begin anew."""

SHOW_S = 1.0
"""The tree is worked out at most so often, and after every change."""

SAVE_S = 5.0
UNREAD = (
    "the broker takes what we publish and shows us nothing of it, so what earlier runs "
    "left stays there; may this user read? See tocsin mqtt acl"
)
"""Subscriptions are granted whatever may be read, so only a look tells."""

DRAINING_S = 1.0
CLOSING_S = 1.0


class Publisher:
    """Publishes one site; use as an async context manager in the event loop.

    Args:
        spec: The broker.
        site: The site.
        around: What it needs of the daemon.
        seed: Of the jitter in the pause before reconnecting.
        face: What the broker is shown; the cabin's whole tree unless said.

    `stored`, `tell`, `show` and `alive` never wait and never raise. Leaving the context
    says ``disconnected`` and takes three seconds at most, whatever the broker does.
    """

    def __init__(
        self,
        spec: BrokerSpec,
        *,
        site: Site,
        around: Surroundings,
        seed: int | None = None,
        face: Face | None = None,
    ) -> None:
        self._spec = spec
        self._face = face = face or cabin(spec, site, around)
        self._around = around
        self._seed = seed
        self.names = face.names
        self._outbox = Outbox()
        self._life = Life(face.names, self._outbox, slower=face.slower)
        self._shown: tuple[Outcome, Mapping[str, Any], int] | None = None
        self._is_shown = False
        self._link: Link | None = None
        self._in_flight: dict[int, tuple[Message, float]] = {}
        self._answers: deque[Message] = deque(maxlen=16)
        self._troubles = Troubles(around.on_trouble)
        self._aside = Aside(self._troubles.say)
        self._keeper = None
        if spec.tls is not None:
            self._keeper = Keeper(spec, spec.tls, around, self._aside, self._troubles)
        self._archive = Archive(
            face.names, around, self._aside, self._send, file=face.memory
        )
        self._is_connected = self._is_open = False
        self._refreshed_s = self._grown_s = -STUCK_S

    async def __aenter__(self) -> Self:
        """Begin to connect; trouble with the broker is told, not raised."""
        names = self.names
        await self._archive.open()
        self._link = Link(
            self._spec,
            client_id=names.root,
            will=replace(state(names.state(names.root), "lost"), again_s=None),
            peer=self,
            seed=self._seed,
        )
        self._aside.spawn(self._face.hears.work(self._answer))
        self._begin()
        if self._keeper is not None:
            self._keeper.begin(self._link)
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        exc: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Send what can be sent, say goodbye, and stop."""
        link = self._link
        if link is None:
            return
        try:
            if self._is_open:
                await self._until(lambda: not self._archive.feed, DRAINING_S)
                for message in self._life.goodbye():
                    self._outbox.put(message, loop_s())
                self._send()
                await self._until(lambda: not self._in_flight, CLOSING_S)
        finally:
            self._link = None
            await self._aside.end()
            await self._archive.close()
            await link.end(CLOSING_S)

    async def _until(self, done: Callable[[], bool], within_s: float) -> None:
        """Wait at the end, and only there."""
        with suppress(TimeoutError):
            async with asyncio.timeout(within_s):
                while not done() and self._is_open:
                    self._send()
                    await asyncio.sleep(0.01)

    # --- told by the daemon ----------------------------------------------------------

    def stored(self) -> None:
        """Hear that the journal has grown: what is in it is sent from there."""
        self._archive.stored()
        self._send()

    def tell(self, facts: Sequence[Fact]) -> None:
        """Publish what could not be stored: a warning must get out."""
        self._archive.feed.unstored(facts, wall_ms=self._around.wall_ms())
        self._send()

    def show(self, outcome: Outcome, snapshot: Mapping[str, Any]) -> None:
        """Publish what is seen and demanded now; the newest wins."""
        self._shown = outcome, snapshot, self._around.wall_ms()
        self._is_shown = False
        due_s = self._grown_s + SHOW_S - loop_s()
        if due_s <= 0 or outcome.facts:
            self._grow()
        else:
            self._aside.later("grow", due_s, self._grow)

    def alive(self) -> None:
        """Note that a step was completed: nothing else keeps ``ready`` alive."""
        now_s = loop_s()
        self._life.decided(now_s)
        if self._is_open and now_s - self._refreshed_s >= 1.0:
            self._refreshed_s = now_s
            if beat := self._face.painter.beat(self._around.wall_ms()):
                self._outbox.put(beat, now_s)
            self._outbox.refresh(now_s)
            self._look_after(now_s)
            self._send()

    # --- told by the link ------------------------------------------------------------

    def connected(self) -> None:
        """Wait for what is still in flight, so that nothing old follows the new."""
        self._is_connected = True
        if self._keeper is not None:
            self._keeper.connected()
        if self._in_flight:
            self._aside.later("open", LEFTOVERS_S, self._open)
        else:
            self._open()

    def failed(self, reason: str) -> None:
        """Note that there is no connection."""
        self._is_connected = self._is_open = False
        self._aside.forget("open", "sweep", "swept")
        if self._keeper is not None:
            reason = self._keeper.failed(reason)
        self._troubles.unconnected(reason)

    def rebuilt(self) -> None:
        """Forget what an old client had in flight."""
        for message, _ in self._in_flight.values():
            self._return(message)
        self._in_flight.clear()

    def acknowledged(self, number: int, refusal: str) -> None:
        """Note the broker's answer to one message."""
        found = self._in_flight.pop(number, None)
        if found is None:
            return
        message, _ = found
        is_event = message.topic == self._archive.feed.topic
        if refusal == NOBODY and not (is_event and self._face.must_be_heard):
            refusal = ""  # whoever comes later finds what the broker keeps
        if refusal:
            self._troubles.refused(message.topic, refusal)
        else:
            self._troubles.accepted(message.topic)
        self._settle(message, is_refused=bool(refusal))
        if self._is_open:
            self._troubles.judge()
        if self._is_connected and not self._is_open and not self._in_flight:
            self._open()
        self._send()

    def deaf(self, reason: str) -> None:
        """Note that the broker refuses a subscription."""
        self._troubles.refused("subscription", reason)

    def heard(self, messages: Sequence[Heard], dropped: int) -> None:
        """Put commands to the core, one by one; remove what other runs left."""
        for each in messages:
            if each.topic.endswith("/set"):
                if self._face.asks:  # a broker may send what nobody asked for
                    self._face.hears.take(each)
            elif each.is_retained:
                more = self._archive.leftovers.found(each, self._outbox.knows)
                for topic in more.topics:
                    self._outbox.remove(topic)
                if more.filters and self._link is not None and self._is_open:
                    self._link.listen(more.filters)
        if dropped:
            self._face.hears.dropped(dropped)
        self._send()

    # --- connection ------------------------------------------------------------------

    def _begin(self) -> None:
        if self._link is None:
            return
        try:
            self._link.begin()
        except TlsError as exc:
            self._troubles.say(str(exc))
            self._aside.later("begin", READ_AGAIN_S, self._begin)

    def _open(self) -> None:
        """Send everything anew, and ask what the broker keeps of older runs."""
        if not self._is_connected or self._is_open or self._shown is None:
            return
        self._is_open = True
        self._in_flight.clear()
        self._outbox.reconnected()
        self._archive.feed.returned()
        if self._link is not None:
            if self._face.may_be_left:
                # Before ours replaces it: which packs an earlier run had.
                self._link.listen((self.names.description(self.names.root),))
                wait_s = self._archive.leftovers.WAIT_S
                self._aside.later("sweep", wait_s, self._sweep)
            if self._face.asks:
                self._link.obey(self._face.asks)
        self._life.begin(loop_s())
        self._archive.read()
        self._send()

    def _sweep(self) -> None:
        if self._link is not None and self._is_open:
            self._archive.leftovers.is_shown_ours = False
            self._link.listen(self._archive.leftovers.filters)
            self._aside.later("swept", self._archive.leftovers.LISTEN_S, self._swept)

    def _swept(self) -> None:
        if self._link is not None and self._is_open:
            self._link.unlisten(self._archive.leftovers.filters)
            self._archive.leftovers.swept()
            is_shown = self._archive.leftovers.is_shown_ours
            self._troubles.warn("read-back", "" if is_shown else UNREAD)
            self._archive.save()

    def _look_after(self, now_s: float) -> None:
        """Do not believe a connection that answers nothing."""
        oldest_s = min((at_s for _, at_s in self._in_flight.values()), default=now_s)
        if now_s - oldest_s > STUCK_S and self._link is not None:
            self._link.rebuild(f"the broker has not answered for {STUCK_S:g} s")
        elif self._archive.feed.wants_rows:
            self._archive.read()

    # --- sending ---------------------------------------------------------------------

    def _grow(self) -> None:
        if self._shown is None or self._is_shown:
            return
        picture = self._face.painter.drawn(*self._shown)
        self._is_shown, now_s = True, loop_s()
        self._grown_s = now_s
        is_described_anew = self._life.describe(picture.devices)
        self._archive.leftovers.announced(picture.announcements)
        for topic in self._archive.leftovers.old_announcements:
            if topic not in picture.messages:
                self._outbox.remove(topic)
        self._outbox.show(
            picture.messages,
            now_s,
            apart=self._face.painter.apart.union(self._life.own),
            is_hurried=picture.is_hurried,
        )
        self._life.live(picture.lives, now_s)
        if self._is_open and is_described_anew:
            self._life.begin(now_s)
        self._open()
        self._send()

    def _answer(self, last: Message | None, reply: Message | None) -> None:
        """Publish what became of a command."""
        if last is not None:
            self._outbox.put(last, loop_s())
        if reply is not None:
            self._answers.append(reply)
        self._send()

    def _send(self) -> None:
        if not self._is_open or self._link is None:
            return
        if self._archive.feed.wants_rows:
            self._archive.read()
        now_s = loop_s()
        while len(self._in_flight) < IN_FLIGHT:
            message = self._next(now_s)
            if message is None:
                break
            number = self._link.send(message)
            if number is None:
                self._return(message)
                return
            self._in_flight[number] = (message, now_s)
        if not self._life.is_announced and not self._outbox.unproved:
            self._life.proved(now_s)
            self._archive.save()
            self._send()

    def _next(self, now_s: float) -> Message | None:
        if self._answers:
            return self._answers.popleft()
        event = None
        # What an event's topic means is in the description, which goes first.
        if self._life.is_announced and not self._aside.is_planned("refused"):
            event = self._archive.feed.next()
        return event or next(self._outbox.taken(now_s), None)

    def _settle(self, message: Message, *, is_refused: bool) -> None:
        """Tell whoever made *message* that the broker has answered."""
        if message.is_retained:
            self._outbox.acknowledged(message.topic)
            if not message.payload:
                self._archive.leftovers.gone(message.topic)
        elif message.topic == self._archive.feed.topic and is_refused:
            self._archive.feed.returned()
            self._aside.later("refused", REFUSED_AGAIN_S, self._send)
        elif message.topic == self._archive.feed.topic:
            self._archive.feed.acknowledged()
            self._aside.later("save", SAVE_S, self._archive.save, again=False)

    def _return(self, message: Message) -> None:
        """Tell whoever made *message* that it was not handed over, or is lost."""
        if message.is_retained:
            self._outbox.returned(message.topic)
        elif message.topic == self._archive.feed.topic:
            self._archive.feed.returned()
