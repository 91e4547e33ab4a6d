"""What each request gets. No web library here, and nothing that knows a socket."""

from __future__ import annotations

import asyncio
import gzip
from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING, Any, TypeVar

from tocsin.core.events import Command, CommandFact, Verb
from tocsin.page import past
from tocsin.page.asked import LONGEST_BODY, Answer, Asked, NoError, told
from tocsin.page.files import File, load
from tocsin.page.guard import (
    COOKIE,
    HEADERS,
    LETTER,
    LONGEST_TOKEN,
    SESSION_S,
    Guard,
    Session,
    brings_key,
    is_host_known,
    is_same_site,
)
from tocsin.page.openapi import document
from tocsin.page.streams import Streams

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable, Mapping
    from pathlib import Path

    from tocsin.core.engine import Outcome
    from tocsin.core.events import Event

    Handler = Callable[["Desk", Asked], Awaitable[Answer]]
    Ask = Callable[[Callable[..., Event]], Awaitable[Outcome]]

T = TypeVar("T")

PATIENCE_S = 4.0
READERS = 2
"""So many requests may read files at once; the others wait, or are told no."""

WAITING = 16
PACK_FROM = 1_000
LONGEST_MS = 4_102_444_800_000  # the year 2100
MOST_VALUES = 64
MOST_POINTS = 1_000
MOST_ROWS = 200
KINDS = ("alarm", "output", "source", "command", "note")
LONGEST = {"do": 20, "alarm": 80, "subject": 120, "reason": 200}
LONGEST_MIN = 1_440


@dataclass(kw_only=True)
class Desk:
    """Answers requests.

    Attributes:
        folder: Of the journal.
        ask: Hands a command to the core and returns what came of it.
        now_s: A monotonic time.
        names: By which browsers may ask for this machine, in lower case.
        has_tls: Whether cookies may travel encrypted only.
    """

    folder: Path
    ask: Ask
    now_s: Callable[[], float]
    guard: Guard
    names: frozenset[str] = frozenset({"localhost"})
    has_tls: bool = False
    now: Callable[[], Mapping[str, Any] | None] = lambda: None
    streams: Streams = field(default_factory=Streams)
    _files: dict[str, File] = field(default_factory=load)
    _turns: asyncio.Semaphore = field(
        default_factory=lambda: asyncio.Semaphore(READERS)
    )
    _waiting: int = 0

    async def answer(self, asked: Asked) -> Answer:
        """Return what *asked* gets; never raises for what a browser may send."""
        try:
            answer = await self._answered(asked)
        except NoError as no:
            answer = told({"ok": False, "why": str(no)}, no.status, **no.headers)
        answer = _packed(answer, asked)
        return Answer(
            status=answer.status,
            body=answer.body,
            kind=answer.kind,
            headers={**HEADERS, **answer.headers},
            stream=answer.stream,
        )

    async def _answered(self, asked: Asked) -> Answer:
        if not is_host_known(asked.headers.get("host", ""), self.names):
            raise NoError(
                421, "this machine does not go by that name; see [page] names"
            )
        if asked.method in {"GET", "HEAD"} and asked.path in self._files:
            return _file(self._files[asked.path], asked)
        methods = ROUTES.get(asked.path)
        if methods is None:
            raise NoError(404, "there is nothing here")
        handler = methods.get("GET" if asked.method == "HEAD" else asked.method)
        if handler is None:
            raise NoError(405, "not this way", Allow=", ".join(methods))
        if asked.method == "POST":
            self._check_sender(asked)
        return await handler(self, asked)

    def _check_sender(self, asked: Asked) -> None:
        if len(asked.body) > LONGEST_BODY:
            raise NoError(413, f"at most {LONGEST_BODY} bytes")
        if not is_same_site(asked.headers):
            raise NoError(403, "another site's page may not ask this")

    # --- reading --------------------------------------------------------------------

    async def _now(self, _asked: Asked) -> Answer:
        shown = self.now()
        if shown is None:
            raise NoError(503, "nothing seen yet", **{"Retry-After": "1"})
        return told(shown)

    async def _stream(self, asked: Asked) -> Answer:
        kind = "text/event-stream"
        if asked.method == "HEAD":
            return Answer(kind=kind)
        stream = self.streams.join(self.now)
        if stream is None:
            raise NoError(503, "too many listen already", **{"Retry-After": "5"})
        return Answer(kind=kind, headers={"Cache-Control": "no-store"}, stream=stream)

    async def _journal(self, asked: Asked) -> Answer:
        kind = asked.query.get("kind", "")
        if kind and kind not in KINDS:
            raise NoError(400, f"kind is one of {', '.join(KINDS)}")
        until_ms = asked.number("until_ms", -1, 0, LONGEST_MS)
        last = asked.number("last", 50, 1, MOST_ROWS)
        rows = await self._read(
            partial(
                past.journal,
                self.folder,
                until_ms=None if until_ms < 0 else until_ms,
                last=last,
                kinds=(kind,) if kind else (),
            )
        )
        return told({"rows": rows})

    async def _kept(self, _asked: Asked) -> Answer:
        return told(await self._read(partial(past.kept, self.folder)))

    async def _plot(self, asked: Asked) -> Answer:
        names = [name for name in asked.query.get("values", "").split(",") if name]
        pack = asked.query.get("pack", "")
        if not 0 < len(names) <= MOST_VALUES or not 0 < len(pack) <= LONGEST["subject"]:
            raise NoError(400, f"name a pack, and 1 to {MOST_VALUES} values of it")
        from_ms = asked.number("from_ms", 0, 0, LONGEST_MS)
        to_ms = asked.number("to_ms", LONGEST_MS, 0, LONGEST_MS)
        series = await self._read(
            partial(
                past.plot,
                self.folder,
                pack,
                names,
                from_ms=from_ms,
                to_ms=to_ms,
                points=asked.number("points", 300, 1, MOST_POINTS),
            )
        )
        return told({"series": series})

    async def _records(self, _asked: Asked) -> Answer:
        found = await self._read(partial(past.records, self.folder))
        return told({"records": found})

    async def _record(self, asked: Asked) -> Answer:
        name = asked.query.get("name", "")
        page = await self._read(partial(past.record_html, self.folder, name))
        return Answer(
            body=page.encode(),
            kind="text/html; charset=utf-8",
            headers={"Cache-Control": "no-store", **LETTER},
        )

    async def _document(self, _asked: Asked) -> Answer:
        return told(document())

    async def _read(self, what: Callable[[], T]) -> T:
        """Return what a reading of files gives; only few at a time.

        Raises:
            NoError: it refuses, or too many wait already.
        """
        if self._waiting >= WAITING:
            raise NoError(503, "too many ask at once", **{"Retry-After": "2"})
        self._waiting += 1
        try:
            async with self._turns:
                return await asyncio.to_thread(what)
        finally:
            self._waiting -= 1

    # --- signing in and acting ------------------------------------------------------

    def _session(self, asked: Asked) -> Session | None:
        return self.guard.session(asked.cookies.get(COOKIE, ""), self.now_s())

    async def _who(self, asked: Asked) -> Answer:
        session = self._session(asked)
        return told(
            {
                "may_act": session is not None,
                "can_sign_in": self.guard.token is not None,
                "key": None if session is None else session.key,
            }
        )

    async def _sign_in(self, asked: Asked) -> Answer:
        wait_s = self.guard.tries.wait_s(asked.peer, self.now_s())
        if wait_s > 0:
            seconds = int(wait_s) + 1
            raise NoError(
                429,
                f"too many tries; wait {seconds} s",
                **{"Retry-After": str(seconds)},
            )
        offered = asked.told({"token": str}).get("token", "")
        if self.guard.token is None:
            raise NoError(403, "nobody can sign in: the daemon has no token")
        if len(offered) > LONGEST_TOKEN:
            raise NoError(400, "that is too long for a token")
        cookie = self.guard.sign_in(offered, asked.peer, self.now_s())
        if cookie is None:
            raise NoError(401, "that is not the token")
        session = self.guard.session(cookie, self.now_s())
        return told(
            {"ok": True, "key": None if session is None else session.key},
            200,
            **{"Set-Cookie": self._cookie(cookie, round(SESSION_S))},
        )

    async def _sign_out(self, asked: Asked) -> Answer:
        self._acting(asked)
        self.guard.sign_out(asked.cookies.get(COOKIE, ""))
        return told({"ok": True}, 200, **{"Set-Cookie": self._cookie("", 0)})

    def _cookie(self, value: str, seconds: int) -> str:
        secure = "; Secure" if self.has_tls else ""
        return (
            f"{COOKIE}={value}; Path=/; Max-Age={seconds}; HttpOnly; "
            f"SameSite=Strict{secure}"
        )

    def _acting(self, asked: Asked) -> None:
        """See that whoever asks has signed in and that it is this page that asks.

        Raises:
            NoError: neither.
        """
        session = self._session(asked)
        if session is None:
            raise NoError(401, "sign in first")
        if not brings_key(session, asked.headers):
            raise NoError(403, "the key of this session is missing or wrong")

    async def _act(self, asked: Asked) -> Answer:
        self._acting(asked)
        wish = asked.told(
            {"do": str, "alarm": str, "subject": str, "reason": str, "for_min": int}
        )
        for name, longest in LONGEST.items():
            if len(wish.get(name, "")) > longest:
                raise NoError(400, f"{name} has at most {longest} characters")
        if not 0 <= wish.get("for_min", 0) <= LONGEST_MIN:
            raise NoError(400, f"for_min is 0 to {LONGEST_MIN}")
        try:
            verb = Verb(wish.get("do", ""))
        except ValueError:
            raise NoError(400, f"do is one of {', '.join(Verb)}") from None
        stamp = partial(
            Command,
            verb=verb,
            by=f"page, {asked.peer}"[:80],
            alarm=wish.get("alarm", ""),
            subject=wish.get("subject", ""),
            reason=wish.get("reason", ""),
            for_ms=wish.get("for_min", 0) * 60_000,
        )
        try:
            async with asyncio.timeout(PATIENCE_S):
                outcome = await self.ask(stamp)
        except TimeoutError:
            raise NoError(
                503, "the daemon does not answer; look, then try again"
            ) from None
        fact = next(f for f in reversed(outcome.facts) if isinstance(f, CommandFact))
        status = 200 if fact.accepted else 409
        return told({"ok": fact.accepted, "why": fact.outcome}, status)


ROUTES: dict[str, dict[str, Handler]] = {
    "/api/now": {"GET": Desk._now},  # noqa: SLF001 its own table
    "/api/stream": {"GET": Desk._stream},  # noqa: SLF001
    "/api/journal": {"GET": Desk._journal},  # noqa: SLF001
    "/api/history": {"GET": Desk._kept},  # noqa: SLF001
    "/api/plot": {"GET": Desk._plot},  # noqa: SLF001
    "/api/records": {"GET": Desk._records},  # noqa: SLF001
    "/record": {"GET": Desk._record},  # noqa: SLF001
    "/api/openapi.json": {"GET": Desk._document},  # noqa: SLF001
    "/api/session": {"GET": Desk._who},  # noqa: SLF001
    "/api/sign-in": {"POST": Desk._sign_in},  # noqa: SLF001
    "/api/sign-out": {"POST": Desk._sign_out},  # noqa: SLF001
    "/api/act": {"POST": Desk._act},  # noqa: SLF001
}


def _file(file: File, asked: Asked) -> Answer:
    headers = {
        "Cache-Control": "no-cache",
        "ETag": file.tag,
        "Vary": "Accept-Encoding",
    }
    if asked.headers.get("if-none-match") == file.tag:
        return Answer(status=304, kind=file.kind, headers=headers)
    if "gzip" in asked.headers.get("accept-encoding", ""):
        packed = {**headers, "Content-Encoding": "gzip"}
        return Answer(body=file.packed, kind=file.kind, headers=packed)
    return Answer(body=file.plain, kind=file.kind, headers=headers)


def _packed(answer: Answer, asked: Asked) -> Answer:
    """Pack what is long, for who can unpack it."""
    if (
        len(answer.body) < PACK_FROM
        or "Content-Encoding" in answer.headers
        or "gzip" not in asked.headers.get("accept-encoding", "")
    ):
        return answer
    return Answer(
        status=answer.status,
        body=gzip.compress(answer.body, compresslevel=5),
        kind=answer.kind,
        headers={
            **answer.headers,
            "Content-Encoding": "gzip",
            "Vary": "Accept-Encoding",
        },
    )
