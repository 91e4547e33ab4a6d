"""The control socket: what a running daemon shows, and what a person asks of it.

A Unix socket beside the journal, for its owner and group only. One JSON object a line
each way. Nothing on it can energise a permit.
"""

from __future__ import annotations

import asyncio
import hashlib
import json
import os
import socket
import tempfile
from contextlib import asynccontextmanager, suppress
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tocsin.core.events import Command, CommandFact, Verb
from tocsin.wire import fact_json

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Awaitable, Callable, Mapping

    from tocsin.shell import Inbox

    Door = Callable[
        [Mapping[str, Any], asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]
    ]
    """Answers one word for as long as whoever asked stays on the line."""

LONGEST_PATH = 100
LONGEST_LINE = 4_096
PATIENCE_S = 5.0


class ControlError(Exception):
    """There is no daemon to talk to, or it did not understand."""


class ForbiddenError(ControlError):
    """There is a daemon, but this user may not talk to it."""


def socket_path(folder: Path) -> Path:
    """Return where the daemon whose journal is in *folder* listens."""
    path = folder / "control.sock"
    if len(str(path)) <= LONGEST_PATH:
        return path
    name = hashlib.sha256(str(folder.resolve()).encode()).hexdigest()[:16]
    return Path(tempfile.gettempdir()) / f"tocsin-{name}.sock"


class AlreadyServedError(ControlError):
    """Another daemon serves this site: two must never drive the same pins."""


@asynccontextmanager
async def serve(
    path: Path,
    inbox: Inbox,
    snapshot: Callable[[], Mapping[str, Any] | None],
    doors: Mapping[str, Door] | None = None,
) -> AsyncIterator[None]:
    """Answer on *path* while the context lasts; *doors* answer words of their own.

    Raises:
        AlreadyServedError: another daemon answers there.
        ControlError: the path is refused.
    """
    _clear(path)
    callers = set[asyncio.Task[None]]()
    answer = partial(
        _answer, inbox=inbox, snapshot=snapshot, doors=doors or {}, callers=callers
    )
    mask = os.umask(0o117)
    try:
        server = await asyncio.start_unix_server(answer, path, limit=LONGEST_LINE)
    except OSError as exc:
        raise ControlError(f"cannot listen on {path}: {exc.strerror}") from exc
    finally:
        os.umask(mask)
    try:
        yield
    finally:
        server.close()
        _remove(path)
        for caller in callers:
            caller.cancel()
        await asyncio.gather(*callers, return_exceptions=True)


def _remove(path: Path) -> None:
    with suppress(OSError):
        path.unlink(missing_ok=True)


def _clear(path: Path) -> None:
    """Remove what a dead daemon left; refuse to push a living one aside."""
    with socket.socket(socket.AF_UNIX) as probe:
        probe.settimeout(1.0)
        try:
            probe.connect(str(path))
        except OSError:
            _remove(path)
            return
    raise AlreadyServedError(f"another daemon already serves this site on {path}")


async def _answer(
    reader: asyncio.StreamReader,
    writer: asyncio.StreamWriter,
    *,
    inbox: Inbox,
    snapshot: Callable[[], Mapping[str, Any] | None],
    doors: Mapping[str, Door],
    callers: set[asyncio.Task[None]],
) -> None:
    task = asyncio.current_task()
    if task is not None:
        callers.add(task)
        task.add_done_callback(callers.discard)
    try:
        async with asyncio.timeout(PATIENCE_S):
            line = await reader.readline()
        asked = _object(line)
        door = doors.get(str(asked.get("do")))
        if door is not None:
            await door(asked, reader, writer)
            return
        async with asyncio.timeout(PATIENCE_S):
            said = await _done(asked, inbox, snapshot)
            writer.write(json.dumps(said).encode() + b"\n")
            await writer.drain()
    except (TimeoutError, ConnectionError, ValueError):
        pass  # whoever asked has gone, or sent more than a line
    finally:
        writer.close()


def _object(line: bytes) -> Mapping[str, Any]:
    """Return the JSON object on *line*; an empty one if there is none."""
    try:
        asked = json.loads(line)
    except (ValueError, RecursionError):
        return {}
    return asked if isinstance(asked, dict) else {}


async def _done(
    asked: Mapping[str, Any],
    inbox: Inbox,
    snapshot: Callable[[], Mapping[str, Any] | None],
) -> Mapping[str, Any]:
    if asked.get("do") == "show":
        seen = snapshot()
        return {"ok": True, "show": seen} if seen else _no("nothing seen yet")
    for_ms = asked.get("for_ms", 0)
    if type(for_ms) is not int:
        return _no("for_ms is no whole number")
    try:
        stamp = partial(
            Command,
            verb=Verb(str(asked.get("do"))),
            by=str(asked.get("by", "control socket"))[:80],
            alarm=str(asked.get("alarm", "")),
            subject=str(asked.get("subject", "")),
            reason=str(asked.get("reason", ""))[:200],
            for_ms=for_ms,
        )
    except ValueError:
        verbs = ", ".join(("show", *Verb))
        return _no(f'say one JSON object with "do": one of {verbs}')
    outcome = await inbox.ask(stamp)
    facts = [fact for fact in outcome.facts if isinstance(fact, CommandFact)]
    said = fact_json(facts[-1])
    return {"ok": facts[-1].accepted, "why": said["outcome"], **said}


def _no(why: str) -> Mapping[str, Any]:
    return {"ok": False, "why": why}


def ask(path: Path, request: Mapping[str, Any]) -> dict[str, Any]:
    """Return a running daemon's answer to *request*.

    Raises:
        ControlError: nobody listens on *path*.
        ForbiddenError: it may not be opened.
    """
    with socket.socket(socket.AF_UNIX) as line:
        line.settimeout(PATIENCE_S)
        try:
            line.connect(str(path))
            line.sendall(json.dumps(request).encode() + b"\n")
            with line.makefile("rb") as answers:
                said = json.loads(answers.readline() or b"null")
        except PermissionError as exc:
            raise ForbiddenError(f"{path} may be opened by its group only") from exc
        except (OSError, ValueError) as exc:
            raise ControlError(f"no daemon answers on {path}") from exc
    if not isinstance(said, dict):
        raise ControlError(f"the daemon on {path} gave no answer")
    return said
