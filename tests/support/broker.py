"""A real broker (mosquitto, of Debian) on a free loopback port, and a subscriber."""

from __future__ import annotations

import queue
import shutil
import socket
import subprocess
import threading
import time
from collections import deque
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

if TYPE_CHECKING:
    import ssl
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from paho.mqtt.reasoncodes import ReasonCode

WITHIN_S = 20.0


def program() -> str:
    """Return the path of mosquitto, or fail: a skipped test would look green."""
    path = shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin:/usr/bin:/bin")
    if path is None:
        pytest.fail("mosquitto is missing: sudo apt install mosquitto")
    return path


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@dataclass
class Broker:
    """A broker that can be started, killed and started again on its port.

    Attributes:
        more: Settings beside the port.
        whole: A whole settings file instead, with the port registered for TLS.
    """

    folder: Path
    port: int = field(default_factory=free_port)
    more: str = "allow_anonymous true"
    whole: str = ""
    _process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        config = self.folder / f"broker-{self.port}.conf"
        listener = f"listener {self.port} 127.0.0.1"
        text = self.whole.replace("listener 8883", listener)
        text = text or f"{listener}\n{self.more}\n"
        config.write_text(f"user root\n{text}")  # root made the files
        log = (self.folder / "broker.log").open("ab")
        with log:
            self._process = subprocess.Popen(
                [program(), "-c", str(config)], stdout=log, stderr=log
            )
        for _ in range(1_000):
            try:
                socket.create_connection(("127.0.0.1", self.port), 1).close()
            except OSError:
                time.sleep(0.02)
            else:
                return
        said = (self.folder / "broker.log").read_text()
        pytest.fail(f"no broker: {said}")

    @property
    def pid(self) -> int:
        assert self._process is not None
        return self._process.pid

    def send_signal(self, number: int) -> None:
        assert self._process is not None
        self._process.send_signal(number)

    def stop(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None


@contextmanager
def running(folder: Path, **changes: str) -> Iterator[Broker]:
    broker = Broker(folder, **changes)  # type: ignore[arg-type]
    broker.start()
    try:
        yield broker
    finally:
        broker.stop()


@dataclass(frozen=True, slots=True)
class Heard:
    """A message as it was published: *retained* is its sender's wish."""

    topic: str
    payload: bytes
    retained: bool
    qos: int
    expiry: int | None
    is_stored: bool
    correlation: bytes | None = None


@dataclass
class Ears:
    """What a subscriber heard, in order; *kept* is the last of each retained topic."""

    is_late: bool = False
    messages: deque[Heard] = field(default_factory=deque)
    heard: deque[tuple[str, bytes, bool]] = field(default_factory=deque)
    kept: dict[str, bytes] = field(default_factory=dict)
    changed: threading.Condition = field(default_factory=threading.Condition)
    on_heard: Callable[[bytes], None] = lambda _: None

    def on_message(self, _c: object, _u: object, message: paho.MQTTMessage) -> None:
        payload = bytes(message.payload)
        self.on_heard(payload)
        properties = message.properties
        heard = Heard(
            topic=message.topic,
            payload=payload,
            retained=bool(message.retain),
            qos=message.qos,
            expiry=getattr(properties, "MessageExpiryInterval", None),
            is_stored=self.is_late,
            correlation=getattr(properties, "CorrelationData", None),
        )
        with self.changed:
            self.messages.append(heard)
            self.heard.append((message.topic, payload, message.retain))
            self.kept[message.topic] = payload
            self.changed.notify_all()

    def wait_for(self, done: Callable[[], object]) -> None:
        with self.changed:
            if not self.changed.wait_for(done, WITHIN_S):
                pytest.fail(f"not heard in time; last: {list(self.heard)[-5:]}")


@contextmanager
def listening(
    port: int,
    topic: str = "#",
    on_heard: Callable[[bytes], None] = lambda _: None,
    *,
    is_late: bool = False,
    tls: ssl.SSLContext | None = None,
) -> Iterator[Ears]:
    """Subscribe to *topic* while the context lasts; *on_heard* gets each payload."""
    ears, is_ready = Ears(on_heard=on_heard, is_late=is_late), threading.Event()
    client = _client(tls)

    def subscribe(*_: object) -> None:
        as_published = SubscribeOptions(qos=1, retainAsPublished=True)
        client.subscribe(topic, options=as_published)

    client.on_message = ears.on_message
    client.on_connect = subscribe
    client.on_subscribe = lambda *_: is_ready.set()
    client.connect("127.0.0.1", port)
    client.loop_start()
    try:
        assert is_ready.wait(WITHIN_S)
        yield ears
    finally:
        client.disconnect()
        client.loop_stop()


def _client(tls: ssl.SSLContext | None, name: str = "") -> paho.Client:
    client = paho.Client(
        CallbackAPIVersion.VERSION2, client_id=name, protocol=paho.MQTTv5
    )
    if tls is not None:
        client.tls_set_context(tls)
    return client


@contextmanager
def speaking(
    port: int, *, tls: ssl.SSLContext | None = None, name: str = "", **how: str
) -> Iterator[Mouth]:
    """Publish as somebody else while the context lasts."""
    client = _client(tls, name)
    if "username" in how:
        client.username_pw_set(how["username"], how.get("password"))
    client.connect("127.0.0.1", port)
    client.loop_start()
    try:
        yield Mouth(client)
    finally:
        client.disconnect()
        client.loop_stop()


@dataclass
class Mouth:
    """Somebody who publishes.

    Attributes:
        ended: Why the connection ended, each time it did.
    """

    client: paho.Client
    ended: list[str] = field(default_factory=list)
    _answers: queue.Queue[tuple[int, int]] = field(default_factory=queue.Queue)
    _is_asked: bool = False

    def __post_init__(self) -> None:
        self.client.on_publish = self._on_publish
        self.client.on_disconnect = lambda _c, _u, _f, reason, _p: self.ended.append(
            str(reason)
        )

    def _on_publish(
        self, _c: object, _u: object, number: int, reason: ReasonCode, _p: object
    ) -> None:
        if self._is_asked:
            self._answers.put((number, reason.value))

    def listen(self, topic: str = "#") -> Ears:
        """Hear *topic* on the same connection."""
        ears = Ears()
        self.client.on_message = ears.on_message
        self.client.subscribe(
            topic, options=SubscribeOptions(qos=1, retainAsPublished=True)
        )
        return ears

    def is_taken(self, topic: str, payload: bytes | str = b"x") -> bool:
        """Publish *topic*, retained; return False if the broker refuses it.

        Reason codes from 0x80 on are refusals: MQTT 5.0, 2.4 and 3.4.2.1.
        """
        self._is_asked = True
        sent = self.client.publish(topic, payload, qos=1, retain=True)
        while True:
            number, reason = self._answers.get(timeout=WITHIN_S)
            if number == sent.mid:
                assert reason in {0x00, 0x10, 0x87}, hex(reason)
                return reason < 0x80

    def say(
        self,
        topic: str,
        payload: bytes | str,
        *,
        retain: bool = False,
        reply_to: str = "",
        correlation: bytes | None = None,
        wait: bool = True,
    ) -> None:
        properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        if reply_to:
            properties.ResponseTopic = reply_to
        if correlation is not None:
            properties.CorrelationData = correlation
        sent = self.client.publish(
            topic, payload, qos=1, retain=retain, properties=properties
        )
        if wait:
            sent.wait_for_publish(WITHIN_S)
