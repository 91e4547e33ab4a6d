"""The connection to a broker: paho, which runs on a thread of its own.

MQTT 5 (OASIS, 2019) for message expiry (3.3.2.3.3), which keeps ``ready`` honest, for
reason codes, which say why a broker refuses, and for retain-as-published (3.8.3.1),
which tells a retained command from a live one. MQTT 3.1.1 where it is asked for by
name. The thread only hands over to the event loop; it never holds it up.
"""

from __future__ import annotations

import asyncio
import ssl
import sys
import threading
from contextlib import suppress
from typing import TYPE_CHECKING

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from tocsin.mqtt.commands import Heard
from tocsin.mqtt.hearing import COMMANDS, LEFT, Hearing
from tocsin.mqtt.pause import Pause
from tocsin.mqtt.peer import FAILURE, refusal
from tocsin.tls import Alerts, TlsError, alert, broker_held, load, secret_in, why_not

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from paho.mqtt.reasoncodes import ReasonCode

    from tocsin.certificates import Held
    from tocsin.mqtt.messages import Message
    from tocsin.mqtt.peer import Peer
    from tocsin.ports import BrokerSpec
    from tocsin.tls import Loaded

QUEUED = 64
IN_FLIGHT = 16
"""Messages handed over and not acknowledged; brokers commonly take twenty."""

FIRST_ONLY = paho.MQTT_CLEAN_START_FIRST_ONLY
LONGEST_DESCRIPTION = 65_536
LONGEST_PACKET = 262_144
CONNECT_S = 5.0
REBUILD_S = 1.0
BEGIN_AGAIN_S = 10.0


class _Client(paho.Client):
    """Keeps the reason why a connection could not be made, and tells of its end."""

    why: str = ""
    is_tls = False
    on_end: Callable[[str], None]
    on_tls: Callable[[ssl.SSLError], str]

    def reconnect(self) -> MQTTErrorCode:
        """Connect, once; as paho does, and note why it fails.

        Raises:
            OSError: nobody answers there.
        """
        self.is_tls = False
        try:
            return super().reconnect()
        except ssl.SSLError as exc:
            self.is_tls, self.why = True, self.on_tls(exc)
            raise
        except OSError as exc:
            self.why = exc.strerror or str(exc) or type(exc).__name__
            raise
        except ValueError as exc:  # a host name that no name server would take
            self.why = str(exc)
            raise OSError(str(exc)) from exc

    def loop_forever(
        self,
        timeout: float = 1.0,
        retry_first_connection: bool = False,  # noqa: FBT001, FBT002 paho's own
    ) -> MQTTErrorCode:
        """Run the thread; an exception that ends it is told, not lost."""
        why = ""
        try:
            return super().loop_forever(timeout, retry_first_connection)
        except Exception as exc:  # noqa: BLE001 whatever it is, the thread ends here
            why = f"{type(exc).__name__}: {exc}"
            return MQTTErrorCode.MQTT_ERR_UNKNOWN
        finally:
            self.on_end(why)


class Link:
    """One broker, tried again for ever, with a pause that grows and jitters.

    Attributes:
        loaded: Our certificate and key as they are used now; None without TLS.
        theirs: The broker's certificate; None while none was seen.
    """

    is_clean = True

    def __init__(
        self,
        spec: BrokerSpec,
        *,
        client_id: str,
        will: Message | None,
        peer: Peer,
        seed: int | None = None,
    ) -> None:
        self._spec = spec
        self._id = spec.client_id or client_id
        self._will = will
        self._peer = peer
        self._pause = Pause(seed)
        self._loop = asyncio.get_running_loop()
        self._is_ended = self._is_refused = False
        self._hearing = Hearing()
        self._alerts = Alerts()
        self.loaded: Loaded | None = None
        self.theirs: Held | None = None
        self._client = self._made()

    @property
    def is_version_5(self) -> bool:
        """Return True unless the fallback was asked for."""
        return self._spec.protocol == "5"

    def _made(self) -> _Client:
        client = _Client(
            CallbackAPIVersion.VERSION2,
            client_id=self._id,
            protocol=paho.MQTTv5 if self.is_version_5 else paho.MQTTv311,
            clean_session=None if self.is_version_5 else True,
        )
        # An exception in a callback would end paho's thread without a word.
        client.suppress_exceptions = True
        client.connect_timeout = CONNECT_S
        client.max_queued_messages_set(QUEUED)
        client.max_inflight_messages_set(IN_FLIGHT)
        if (will := self._will) is not None:
            client.will_set(will.topic, will.payload, qos=1, retain=will.is_retained)
        client.on_connect = self._on_connect
        client.on_connect_fail = self._on_connect_fail
        client.on_disconnect = self._on_disconnect
        client.on_publish = self._on_publish
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        client.enable_logger(self._alerts.logger())
        client.on_tls = self._why_no_tls
        client.on_end = lambda why: self._hand_over(self._ended, client, why)
        return client

    def begin(self) -> None:
        """Begin to connect.

        Raises:
            TlsError: a file of ours cannot be used.
        """
        spec = self._spec
        if spec.tls is not None and self.loaded is None:
            self.loaded = load(spec.tls)
        if spec.username:
            password = secret_in(spec.password_file)
            self._client.username_pw_set(spec.username, password)
        if self.loaded is not None:
            self._client.tls_set_context(self.loaded.context)
        properties = None
        if self.is_version_5:
            properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            properties.MaximumPacketSize = LONGEST_PACKET
            self._ask(properties)
        self._client.connect_async(
            spec.host,
            spec.port,
            keepalive=spec.keepalive_s,
            clean_start=self.is_clean if properties else FIRST_ONLY,
            properties=properties,
        )
        self._jitter()
        self._client.loop_start()

    def _ask(self, properties: Properties) -> None:
        """Ask the broker for what only some connections need."""

    def _jitter(self) -> None:
        self._client.reconnect_delay_set(*self._pause.bounds_s())

    def renew(self, loaded: Loaded) -> None:
        """Connect anew, with another certificate."""
        self.loaded = loaded
        self.rebuild("")

    def rebuild(self, why: str) -> None:
        """Leave a client that does not answer to itself, and make a new one."""
        if self._is_ended:
            return
        old, self._client = self._client, self._made()
        self._pause.down()
        threading.Thread(
            target=_buried, args=(old,), name="tocsin-mqtt-old", daemon=True
        ).start()
        self._peer.failed(why)
        self._peer.rebuilt()
        try:
            self.begin()
        except TlsError as exc:
            self._loop.call_later(
                BEGIN_AGAIN_S, self._rebuild_if, self._client, str(exc)
            )

    def _ended(self, client: _Client, why: str) -> None:
        """Hear that a thread is over; begin another if that was not asked for."""
        if client is self._client and not self._is_ended:
            said = f"the connection's own thread ended: {why or 'nobody knows why'}"
            self._loop.call_later(REBUILD_S, self._rebuild_if, client, said)

    def _rebuild_if(self, client: _Client, why: str) -> None:
        if client is self._client:
            self.rebuild(why)

    def send(self, message: Message) -> int | None:
        """Hand *message* over; return its number, or None if there is no room.

        Without a connection paho keeps it, and sends it at the next one.
        """
        properties = None
        if self.is_version_5:
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            if message.expires_s is not None:
                properties.MessageExpiryInterval = message.expires_s
            if message.correlation is not None:
                properties.CorrelationData = message.correlation
        sent = self._client.publish(
            message.topic,
            message.payload,
            qos=1,
            retain=message.is_retained,
            properties=properties,
        )
        return None if sent.rc == paho.MQTT_ERR_QUEUE_SIZE else sent.mid

    def listen(self, filters: Sequence[str]) -> None:
        """Ask for what the broker keeps on *filters*."""
        options = SubscribeOptions(qos=1, retainHandling=0)
        self._subscribe([(each, options) for each in filters])

    def unlisten(self, filters: Sequence[str]) -> None:
        """Hear no more of *filters*."""
        with suppress(ValueError):
            self._client.unsubscribe(list(filters))

    def obey(self, command: str) -> None:
        """Ask for live commands; never for what the broker keeps."""
        options = SubscribeOptions(
            qos=1,
            retainAsPublished=True,
            retainHandling=SubscribeOptions.RETAIN_DO_NOT_SEND,
        )
        self._subscribe([(command, options)])

    def _subscribe(self, asked: list[tuple[str, SubscribeOptions]]) -> None:
        with suppress(ValueError):  # the connection has just gone
            if self.is_version_5:
                self._client.subscribe(asked)
            else:
                self._client.subscribe([(each, 1) for each, _ in asked])

    async def end(self, within_s: float) -> None:
        """Disconnect and stop the thread; leave it to die if it does not answer."""
        self._is_ended = True
        ended = asyncio.Event()
        loop = self._loop

        def stop() -> None:
            _buried(self._client)
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
        self, client: object, _u: object, _f: object, reason: ReasonCode, _p: object
    ) -> None:
        if client is not self._client:
            return
        if reason.value >= FAILURE or (not self.is_version_5 and reason.value):
            self._jitter()
            self._is_refused = True
            said = f"the broker refuses: {reason}{HINT.get(reason.value, '')}"
            self._hand_over(self._peer.failed, said)
        else:
            self._pause.up()
            sock = self._client.socket()
            if isinstance(sock, ssl.SSLSocket):
                self.theirs = broker_held(sock.getpeercert(binary_form=True))
            self._hand_over(self._peer.connected)

    def _why_no_tls(self, exc: ssl.SSLError) -> str:
        spec = self._spec
        return "" if spec.tls is None else why_not(exc, spec.tls, spec.host, spec.port)

    def _on_connect_fail(self, client: object, _u: object) -> None:
        if client is not self._client:
            return
        self._jitter()
        where = f"{self._spec.host}:{self._spec.port}"
        why = self._client.why or str(sys.exception() or "no answer")
        what = "no TLS with" if self._client.is_tls else "no broker on"
        self._hand_over(self._peer.failed, f"{what} {where}: {why}")

    def _on_disconnect(
        self, client: object, _u: object, _f: object, reason: ReasonCode, _p: object
    ) -> None:
        if client is not self._client:
            return
        was_up = self._pause.down()
        self._jitter()
        if self._is_refused:  # that is told already
            self._is_refused = False
            return
        said = f"the connection ended: {reason}"
        if not was_up and (why := alert(self._alerts.said)):
            said = f"no TLS with {self._spec.host}:{self._spec.port}: {why}"
            self._alerts.said = ""
        elif not was_up and self._spec.tls is None:
            said += "; if the broker wants TLS on this port, write a tls table"
        if self._pause.is_taken:
            said = (
                f"the connection ends again and again: does another client call itself "
                f"{self._id!r}? Trying again in {self._pause.bounds_s()[0]} s"
            )
        self._hand_over(self._peer.failed, said)

    def _on_publish(
        self, client: object, _u: object, number: int, reason: ReasonCode, _p: object
    ) -> None:
        if client is self._client:
            said = refusal(reason.value, str(reason))
            self._hand_over(self._peer.acknowledged, number, said)

    def _on_subscribe(
        self, _c: object, _u: object, _n: int, reasons: list[ReasonCode], _p: object
    ) -> None:
        refused = [str(reason) for reason in reasons if reason.value >= FAILURE]
        if refused:
            self._hand_over(self._peer.deaf, refused[0])

    def _on_message(
        self, client: object, _u: object, message: paho.MQTTMessage
    ) -> None:
        if client is not self._client:
            return
        properties = message.properties
        is_command = message.topic.endswith("/set")
        is_read = is_command or message.topic.endswith("/$description")
        payload = bytes(message.payload[:LONGEST_DESCRIPTION]) if is_read else b""
        heard = Heard(
            topic=message.topic,
            payload=payload,
            is_retained=bool(message.retain),
            reply_to=str(getattr(properties, "ResponseTopic", "")),
            correlation=getattr(properties, "CorrelationData", None),
        )
        self._keep(heard, room=COMMANDS if is_command else LEFT)

    def _keep(self, heard: Heard, *, room: int) -> None:
        if self._hearing.put(heard, room=room):
            self._hand_over(self._take)

    def _take(self) -> None:
        """Pass on what was heard; in the event loop."""
        self._peer.heard(*self._hearing.taken())


HINT = {
    0x84: '; if it does not speak MQTT 5, set protocol = "3.1.1" under [mqtt]',
    0x97: "; its quota is used up",
}


def _buried(client: _Client) -> None:
    with suppress(Exception):
        client.disconnect()
        client.loop_stop()
