"""What others ask of the daemon: over MQTT, on the control socket, through the page."""

from __future__ import annotations

import asyncio
import json
import re
import tempfile
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cache
from http.cookies import SimpleCookie
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import parse_qsl, unquote

import jsonschema
from tests.fuzz import mutate
from tests.fuzz.campaign import Target, WrongError
from tests.fuzz.can import memory_folder

from history_stage import Noisy, keeper
from history_stage import site as history_site
from journal_stage import Ears, alarm, journal
from mqtt_commands import VERBS, WORDS, may_be_obeyed
from mqtt_commands import payload as nearly_right
from shell_stage import HUT
from tocsin import control
from tocsin.core.engine import step
from tocsin.core.events import Verb
from tocsin.core.state import fresh
from tocsin.mqtt.commands import (
    DEEPEST,
    LONGEST,
    Gate,
    Heard,
    RefusedError,
    may_answer,
    parsed,
    verb_of,
)
from tocsin.page.asked import Asked
from tocsin.page.desk import ROUTES, Desk
from tocsin.page.guard import HEADERS, Guard

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from random import Random

    from tests.fuzz.campaign import Look

    from tocsin.core.engine import Outcome
    from tocsin.core.events import Event
    from tocsin.core.state import State
    from tocsin.mqtt.commands import Request

WALL_MS = 1_768_586_400_000
AT = "2026-01-16T18:00:00Z"

# --- MQTT ---------------------------------------------------------------------------

PREFIX = "homie/5/fern-ridge-hut/command/"
REPLIES = "reply/fern-ridge-hut/"


def mqtt_corpus() -> list[bytes]:
    """Return a message of each verb: its word, a line end, then the payload."""
    whole = {
        "id": "a1", "at": AT, "by": "kitchen panel", "alarm": "low-cell",
        "subject": "right/11", "reason": "spare ordered", "for_s": 90.5,
    }  # fmt: skip
    few = {"id": "a2", "at": "2026-01-16T19:00:30.5+01:00"}
    rows = [f"{verb}\n{json.dumps(told)}" for verb in VERBS for told in (whole, few)]
    return [row.encode() for row in rows]


def by_command(chance: Random, data: bytes, others: Sequence[bytes]) -> bytes:
    """Spoil the payload's tree, the payload's bytes, or the word."""
    word, _, told = data.partition(b"\n")
    kind = chance.random()
    if kind < 0.1:
        word = mutate.by_text(chance, word, others)
    elif kind < 0.2:
        word = chance.choice(WORDS).encode()
    elif kind < 0.4:
        told = nearly_right(chance, WALL_MS, chance.randrange(100))
    else:
        told = mutate.by_json(chance, told, others)
    return word + b"\n" + told


@contextmanager
def opened_mqtt() -> Iterator[Look]:
    """Judge a command as the daemon does, and by an opinion of its own."""

    def look(data: bytes) -> str:
        word, _, told = data.partition(b"\n")
        name = word.decode("utf-8", "replace")
        topic = f"{PREFIX}{name}/set"
        heard = Heard(topic=topic, payload=told, reply_to=name, correlation=word)
        if may_answer(heard, REPLIES) and not name.startswith(REPLIES):
            raise WrongError(f"it would answer on {name!r}")
        try:
            request = parsed(heard, verb_of(topic, PREFIX))
            Gate().admit(request, wall_ms=WALL_MS, now_ms=0)
        except RefusedError as exc:
            _refused(str(exc), told)
            return f"{len(told)} bytes: {exc}"
        _obeyed(request, name, told)
        return ""

    yield look


def _refused(why: str, told: bytes) -> None:
    """See that a refusal repeats nothing of what came, however long."""
    if not why.isprintable() or len(why) > 200:
        raise WrongError(f"a refusal of {len(why)} letters: {why[:200]!r}")
    text = told.decode("utf-8", "replace")
    if len(text) > 60 and text in why:
        raise WrongError("it repeats what came")


@cache
def schema() -> jsonschema.Draft7Validator:
    """Return the published schema of a command."""
    path = Path(__file__).parents[2] / "deploy/mqtt/schemas/command.json"
    return jsonschema.Draft7Validator(json.loads(path.read_text()))


def _obeyed(request: Request, word: str, told: bytes) -> None:
    if not schema().is_valid(json.loads(told)):
        raise WrongError("it does not fit the published schema")
    if not may_be_obeyed(told, word, retained=False, wall_ms=WALL_MS):
        raise WrongError(f"{request.verb} was obeyed")
    if not 0 <= request.for_ms <= 86_400_000 or len(told) > LONGEST:
        raise WrongError(f"for {request.for_ms} ms, {len(told)} bytes")
    if told.count(b"[") + told.count(b"{") > DEEPEST:
        raise WrongError("nested deeply")


# --- the control socket -------------------------------------------------------------


def control_corpus() -> list[bytes]:
    """Return a line of each verb."""
    told = {"by": "the keeper", "alarm": "low-cell", "subject": "left/1"}
    told |= {"reason": "spare ordered", "for_ms": 60_000}  # type: ignore[dict-item]
    rows = [{"do": verb.value, **told} for verb in Verb]
    return [json.dumps(row).encode() + b"\n" for row in ({"do": "show"}, *rows)]


def by_line(chance: Random, data: bytes, others: Sequence[bytes]) -> bytes:
    """Spoil a line of JSON; sometimes it has no end, or is too long for one."""
    made = mutate.by_json(chance, data, others)
    if chance.random() < 0.1:
        return made
    return made.replace(b"\n", b" ") + b"\n"


@dataclass
class Core:
    """A real core that steps at once; nothing else of a daemon."""

    asked: int = 0
    now_ms: int = 0
    _state: State = field(default_factory=lambda: fresh(HUT, now_ms=0))

    async def ask(self, stamp: Callable[..., Event]) -> Outcome:
        """Step with what *stamp* makes."""
        self.asked += 1
        self.now_ms += 1
        outcome = step(self._state, stamp(at_ms=self.now_ms), HUT)
        self._state = outcome.state
        return outcome


class Mouth:
    """The writer of a caller's connection."""

    def __init__(self) -> None:
        self.said = b""

    def write(self, data: bytes) -> None:
        """Keep what is said."""
        self.said += data

    async def drain(self) -> None:
        """Wait for nothing."""

    def close(self) -> None:
        """Do nothing."""


@contextmanager
def opened_control() -> Iterator[Look]:
    """Answer a line as on the socket; every line that ends gets an answer."""
    core = Core()

    async def answered(data: bytes) -> bytes:
        reader = asyncio.StreamReader(limit=control.LONGEST_LINE)
        reader.feed_data(data)
        reader.feed_eof()
        mouth: Any = Mouth()
        inbox: Any = core
        await control._answer(
            reader,
            mouth,
            inbox=inbox,
            snapshot=lambda: {"site": "Fern Ridge hut"},
            doors={},
            callers=set(),
        )
        said: bytes = mouth.said
        return said

    with asyncio.Runner() as runner:

        def look(data: bytes) -> str:
            said = runner.run(answered(data))
            if not said:
                if len(data.partition(b"\n")[0]) < control.LONGEST_LINE:
                    raise WrongError("no answer")
                return "a line that is too long: closed without an answer"
            told = json.loads(said)
            if told["ok"] or told.get("kind") == "command":
                return ""  # understood; the core may have refused it
            return f"{len(data)} bytes: {told['why']}"

        yield look


# --- the page -----------------------------------------------------------------------

TOKEN = "a-token-for-tests-only"
STATUSES = {200, 304, 400, 401, 403, 404, 405, 409, 413, 415, 421, 429, 503}


def page_corpus() -> list[bytes]:
    """Return a sound request for each route; `$COOKIE` and `$KEY` stand in."""
    signed = "host: localhost\ncookie: tocsin=$COOKIE\nx-tocsin-key: $KEY\n"
    json_body = "content-type: application/json\n\n"
    act = {"do": "shelve", "alarm": "low-cell", "subject": "left/1"}
    act |= {"reason": "spare ordered", "for_min": 5}  # type: ignore[dict-item]
    token = json.dumps({"token": TOKEN})
    span = "from_ms=1768586400000&to_ms=1768590000000&points=20"
    rows = [
        *(f"GET {path}\n{signed}\n" for path in ("/", "/api/now", "/api/history")),
        f"GET /api/journal?kind=alarm&last=20&until_ms=1768586400000\n{signed}\n",
        f"GET /api/plot?pack=p1&values=cell,current&{span}\n{signed}\n",
        f"GET /api/records\n{signed}accept-encoding: gzip\n\n",
        *(f"GET /api/{name}\n{signed}\n" for name in ("openapi.json", "session")),
        f"HEAD /api/stream\n{signed}\n",
        f"POST /api/sign-in\n{signed}origin: http://localhost\n{json_body}{token}",
        f"POST /api/act\n{signed}sec-fetch-site: none\n{json_body}{json.dumps(act)}",
    ]
    return [row.encode() for row in rows]


HEADER_NAMES = (
    *("host", "origin", "cookie", "x-tocsin-key", "content-type", "sec-fetch-site"),
    *("accept-encoding", "if-none-match"),
)
HEADER_VALUES = (
    *("", "null", "http://[", "http://[::1", "//", "[", "]", "localhost:x", "é", "\0"),
    *("http://localhost:99999999", "gzip", "tocsin=", "tocsin=$COOKIE", "$KEY", "\x7f"),
    *("application/json; charset=x", "cross-site", "http://a@b", "::1", "1.2.3.4"),
)
HEADER_AT = re.compile(rb"(?m)^([a-z-]+): .*$")


def by_request(chance: Random, data: bytes, others: Sequence[bytes]) -> bytes:
    """Spoil a header, the query, the body's tree, or the text."""
    head, cut, body = data.partition(b"\n\n")
    kind = chance.random()
    if kind < 0.3:
        name, value = chance.choice(HEADER_NAMES), chance.choice(HEADER_VALUES)
        row = f"{name}: {value}".encode()
        found = [m for m in HEADER_AT.finditer(head) if m[1] == name.encode()]
        if found:
            head = head[: found[0].start()] + row + head[found[0].end() :]
        else:
            head += b"\n" + row
        return head + cut + body
    if kind < 0.6 and body:
        return head + cut + mutate.by_json(chance, body, [body])
    if kind < 0.65:
        first, _, rest = head.partition(b" ")
        way = chance.choice((b"GET", b"POST", b"PUT", b"HEAD", b"get", first))
        return way + b" " + rest + cut + body
    return mutate.by_text(chance, data, others)


def asked_of(data: bytes, cookie: str, key: str) -> Asked:
    """Return the request that *data* is, as the web library would hand it over."""
    head, _, body = data.partition(b"\n\n")
    first, *rows = head.decode("utf-8", "surrogateescape").split("\n")
    method, _, url = first.partition(" ")
    path, _, query = url.partition("?")
    headers = {}
    for row in rows:
        name, _, value = row.partition(": ")
        value = value.replace("$COOKIE", cookie).replace("$KEY", key)
        headers[name.lower()] = value
    jar = SimpleCookie()
    try:
        jar.load(headers.get("cookie", ""))
    except Exception:  # noqa: BLE001 the web library's own affair
        jar = SimpleCookie()
    return Asked(
        method=method,
        path=unquote(path, errors="surrogateescape"),
        query=dict(parse_qsl(query, keep_blank_values=True, errors="surrogateescape")),
        headers=headers,
        cookies={name: each.value for name, each in jar.items()},
        body=body,
        peer="127.0.0.1",
    )


@contextmanager
def hut_folder() -> Iterator[Path]:
    """Return a folder with a journal of some rows and an hour of history."""
    with tempfile.TemporaryDirectory(dir=memory_folder()) as name:
        folder = Path(name)
        made, pack = history_site(folder), Noisy("p1")
        keep = keeper(folder, made)
        keep.keep([pack.at(float(t_s)) for t_s in range(0, 3_600, 30)])
        keep.store.close()

        async def rows() -> None:
            async with journal(folder, Ears()) as kept:
                kept.tell([alarm(n) for n in range(40)])

        asyncio.run(rows())
        yield folder


@contextmanager
def opened_page() -> Iterator[Look]:
    """Answer a request as the page does; nobody acts who has not signed in."""
    with hut_folder() as folder, asyncio.Runner() as runner:
        core, clock = Core(), [0.0]
        desk = Desk(
            folder=folder,
            ask=core.ask,
            now_s=lambda: clock[0],
            guard=Guard(TOKEN),
            now=lambda: {"site": "Fern Ridge hut", "packs": []},
        )
        cookie = desk.guard.sign_in(TOKEN, "127.0.0.1", 0.0) or ""
        session = desk.guard.session(cookie, 0.0)
        key = "" if session is None else session.key
        sessions = {**desk.guard._sessions}

        def look(data: bytes) -> str:
            clock[0] += 0.001
            desk.guard._sessions = {**sessions}
            desk.guard.tries.every.clear()
            desk.guard.tries.by_peer.clear()
            asked, before = asked_of(data, cookie, key), core.asked
            answer = runner.run(desk.answer(asked))
            if answer.stream is not None:
                desk.streams.leave(answer.stream)
            _may_act(asked, data, is_done=core.asked > before)
            if answer.status not in STATUSES:
                raise WrongError(f"status {answer.status}")
            if missing := [n for n in HEADERS if n not in answer.headers]:
                raise WrongError(f"without {missing}")
            if answer.status < 400 or answer.status == 409:
                return ""  # understood; the core may have refused it
            return f"{answer.status}: {json.loads(answer.body)['why']}"

        yield look


def _may_act(asked: Asked, data: bytes, *, is_done: bool) -> None:
    is_signed = b"$COOKIE" in data and b"$KEY" in data
    if is_done and not (is_signed and asked.method == "POST" and asked.path in ROUTES):
        raise WrongError("somebody acted who had not signed in")


TARGETS = (
    Target(
        name="mqtt-command",
        what="commands over MQTT: topic and payload",
        corpus=mqtt_corpus,
        mutated=by_command,
        opened=opened_mqtt,
        says=re.compile(r"\d+ bytes: (it|its|a|there|this|more|[a-z_]+) .+"),
    ),
    Target(
        name="control-line",
        what="lines on the control socket, obeyed by a real core",
        corpus=control_corpus,
        mutated=by_line,
        opened=opened_control,
        says=re.compile(r"(\d+ bytes|a line that is too long): .+"),
    ),
    Target(
        name="page-request",
        what="HTTP requests to the page's handlers, with a journal and a history",
        corpus=page_corpus,
        mutated=by_request,
        opened=opened_page,
        says=re.compile(r"4\d\d: .+|503: .+"),
    ),
)
