"""The connection to a broker: MQTT 5 over paho, which runs on a thread of its own.

MQTT 5 (OASIS, 2019) for message expiry (3.3.2.3.3), which keeps ``online`` honest, and
for reason codes, which say why a broker refuses. The thread only hands over to the
event loop; it never holds it up.
"""

from __future__ import annotations

import asyncio
import random
import sys
import threading
from contextlib import suppress
from typing import TYPE_CHECKING, Protocol

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from paho.mqtt.reasoncodes import ReasonCode

    from tocsin.mqtt.messages import Message
    from tocsin.ports import BrokerSpec

FAILURE = 0x80
"""Reason codes from here on say that something was not done (section 2.4)."""

QUEUED = 64


class Peer(Protocol):
    """Whoever uses the link. All are called in the event loop."""

    def connected(self) -> None:
        """Take note that the broker accepted us."""
        ...

    def failed(self, reason: str) -> None:
        """Take note that there is no connection; tried again by itself."""
        ...

    def acknowledged(self, number: int, refusal: str) -> None:
        """Take note of the broker's answer to message *number*."""
        ...

    def heard(self, topic: str) -> None:
        """Take note of a retained message that another run left on *topic*."""
        ...


class _Client(paho.Client):
    """Keeps the reason why a connection could not be made, which paho drops."""

    why: str = ""

    def reconnect(self) -> MQTTErrorCode:
        """Connect, once; as paho does, and note why it fails.

        Raises:
            OSError: nobody answers there.
        """
        try:
            return super().reconnect()
        except OSError as exc:
            self.why = str(exc) or type(exc).__name__
            raise
        except ValueError as exc:  # a host name that no name server would take
            self.why = str(exc)
            raise OSError(str(exc)) from exc


class Link:
    """One broker, tried again for ever, with a pause that grows and jitters."""

    def __init__(
        self, spec: BrokerSpec, *, will: Message, peer: Peer, seed: int | None = None
    ) -> None:
        self._spec = spec
        self._peer = peer
        self._chance = random.Random(seed)  # noqa: S311 to spread reconnections
        self._loop = asyncio.get_running_loop()
        self._is_ended = False
        self._client = self._made(will)
        self._jitter()

    def _made(self, will: Message) -> _Client:
        client = _Client(
            CallbackAPIVersion.VERSION2,
            client_id=self._spec.client_id,
            protocol=paho.MQTTv5,
        )
        # An exception in a callback would end paho's thread without a word.
        client.suppress_exceptions = True
        client.max_queued_messages_set(QUEUED)
        client.will_set(will.topic, will.payload, qos=1, retain=will.is_retained)
        client.on_connect = self._on_connect
        client.on_connect_fail = self._on_connect_fail
        client.on_disconnect = self._on_disconnect
        client.on_publish = self._on_publish
        client.on_message = self._on_message
        return client

    def begin(self) -> None:
        """Begin to connect.

        Raises:
            OSError: the password file cannot be read.
        """
        spec = self._spec
        if spec.username:
            password = None
            if spec.password_file is not None:
                password = spec.password_file.read_text(encoding="utf-8").strip()
            self._client.username_pw_set(spec.username, password)
        self._client.connect_async(
            spec.host, spec.port, keepalive=spec.keepalive_s, clean_start=True
        )
        self._client.loop_start()

    def _jitter(self) -> None:
        shortest_s = self._chance.randint(1, 2)
        self._client.reconnect_delay_set(shortest_s, self._chance.randint(20, 40))

    def send(self, message: Message) -> int | None:
        """Hand *message* over; return its number, or None if there is no room."""
        properties = None
        if message.expires_s is not None:
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            properties.MessageExpiryInterval = message.expires_s
        sent = self._client.publish(
            message.topic,
            message.payload,
            qos=1,
            retain=message.is_retained,
            properties=properties,
        )
        return sent.mid if sent.rc == paho.MQTT_ERR_SUCCESS else None

    def listen(self, filters: Sequence[str]) -> None:
        """Ask for what the broker keeps on *filters*, but not for our own messages."""
        options = SubscribeOptions(qos=1, noLocal=True, retainHandling=0)
        with suppress(ValueError):  # the connection has just gone
            self._client.subscribe([(each, options) for each in filters])

    async def end(self, within_s: float) -> None:
        """Disconnect and stop the thread; leave it to die if it does not answer."""
        self._is_ended = True
        ended = asyncio.Event()
        loop = self._loop

        def stop() -> None:
            self._client.disconnect()
            self._client.loop_stop()
            with suppress(RuntimeError):
                loop.call_soon_threadsafe(ended.set)

        threading.Thread(target=stop, name="tocsin-mqtt-end", daemon=True).start()
        with suppress(TimeoutError):
            async with asyncio.timeout(within_s):
                await ended.wait()

    # --- on paho's thread ------------------------------------------------------------

    def _hand_over(self, told: Callable[..., None], *args: object) -> None:
        if not self._is_ended or told == self._peer.acknowledged:
            with suppress(RuntimeError):  # the event loop has ended
                self._loop.call_soon_threadsafe(told, *args)

    def _on_connect(
        self, _c: object, _u: object, _f: object, reason: ReasonCode, _p: object
    ) -> None:
        if reason.value >= FAILURE:
            self._jitter()
            self._hand_over(self._peer.failed, f"the broker refuses: {reason}")
        else:
            self._hand_over(self._peer.connected)

    def _on_connect_fail(self, _c: object, _u: object) -> None:
        self._jitter()
        where = f"{self._spec.host}:{self._spec.port}"
        why = self._client.why or str(sys.exception() or "no answer")
        self._hand_over(self._peer.failed, f"no broker on {where}: {why}")

    def _on_disconnect(
        self, _c: object, _u: object, _f: object, reason: ReasonCode, _p: object
    ) -> None:
        self._jitter()
        self._hand_over(self._peer.failed, f"the connection ended: {reason}")

    def _on_publish(
        self, _c: object, _u: object, number: int, reason: ReasonCode, _p: object
    ) -> None:
        refusal = str(reason) if reason.value >= FAILURE else ""
        self._hand_over(self._peer.acknowledged, number, refusal)

    def _on_message(self, _c: object, _u: object, message: paho.MQTTMessage) -> None:
        if message.retain and message.payload:
            self._hand_over(self._peer.heard, message.topic)
