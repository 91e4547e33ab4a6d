"""What the page answers, as an OpenAPI 3.1 document."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from tocsin import __version__
from tocsin.core.events import Verb
from tocsin.page.guard import COOKIE, HEADERS, KEY_HEADER, LETTER

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

JSON = "application/json"
NOTHING: dict[str, str] = {}
WHOLE = {"type": "integer"}
TEXT = {"type": "string"}
TRUTH = {"type": "boolean"}
WHY = {"ok": {"const": False}, "why": TEXT}
LONGEST_MS = 4_102_444_800_000


def document() -> dict[str, Any]:
    """Return the document."""
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "Tocsin page",
            "version": __version__,
            "description": (
                "Read without signing in; act with a session. Sign in with the site's "
                f"token, keep the cookie, and send its key as {KEY_HEADER}."
            ),
        },
        "paths": {**_reading(), **_acting()},
        "components": {
            "securitySchemes": {
                "session": {"type": "apiKey", "in": "cookie", "name": COOKIE},
                "key": {"type": "apiKey", "in": "header", "name": KEY_HEADER},
            }
        },
    }


def _object(**fields: object) -> dict[str, Any]:
    return {"type": "object", "required": list(fields), "properties": fields}


def _many(of: object) -> dict[str, Any]:
    return {"type": "array", "items": of}


def _answer(
    schema: object, what: str, kind: str = JSON, own: Mapping[str, str] = NOTHING
) -> dict[str, Any]:
    headers = {
        name: {"required": True, "schema": {"const": text}}
        for name, text in {**HEADERS, **own}.items()
        if name != "Server"
    }
    return {
        "description": what,
        "headers": headers,
        "content": {kind: {"schema": schema}},
    }


NO = {
    "400": "not understood",
    "401": "not signed in, or not the token",
    "403": "the key is wrong, or another site's page asks",
    "404": "there is none",
    "409": "the daemon refused",
    "413": "too long",
    "415": "not JSON",
    "421": "this machine does not go by that name",
    "429": "too many tries",
    "503": "not now",
}


def _answers(
    schema: object,
    *others: str,
    kind: str = JSON,
    own: Mapping[str, str] = NOTHING,
) -> dict[str, Any]:
    return {
        "200": _answer(schema, "done", kind, own),
        **{code: _answer(_object(**WHY), NO[code]) for code in (*others, "421")},
    }


def _get(
    what: str,
    schema: object,
    *others: str,
    kind: str = JSON,
    parameters: Sequence[object] = (),
    own: Mapping[str, str] = NOTHING,
) -> dict[str, Any]:
    answers = _answers(schema, *others, kind=kind, own=own)
    got = {"summary": what, "responses": answers, "parameters": list(parameters)}
    return {"get": got}


def _query(
    name: str, schema: dict[str, Any], *, required: bool = False
) -> dict[str, Any]:
    return {"name": name, "in": "query", "required": required, "schema": schema}


def _whole(least: int, most: int) -> dict[str, Any]:
    return {**WHOLE, "minimum": least, "maximum": most}


def _reading() -> dict[str, Any]:
    time = _whole(0, LONGEST_MS)
    kinds = ["alarm", "output", "source", "command", "note"]
    row = _object(id=WHOLE, at=TEXT, at_ms=WHOLE, kind=TEXT, subject=TEXT, words=TEXT)
    return {
        "/api/now": _get(
            "Everything that is shown now",
            _object(
                at=TEXT,
                site=_object(name=TEXT, limits={"type": "object"}),
                verdict=_object(level={"enum": ["well", "look", "act", "blind"]}),
                packs=_many({"type": "object"}),
                alarms=_many({"type": "object"}),
                outputs=_many({"type": "object"}),
                inputs=_many({"type": "object"}),
                forecasts=_many({"type": "object"}),
                told=WHOLE,
            ),
            "503",
        ),
        "/api/stream": _get(
            "The same, and then each part that changes, as server-sent events: "
            "`whole`, then `parts`",
            TEXT,
            "503",
            kind="text/event-stream",
        ),
        "/api/journal": _get(
            "What happened, newest first",
            _object(rows=_many(row)),
            *("400", "404", "503"),
            parameters=[
                _query("until_ms", time),
                _query("last", _whole(1, 200)),
                _query("kind", {"enum": kinds}),
            ],
        ),
        "/api/history": _get(
            "Which values are kept, and of what time",
            _object(names={"type": "object"}),
            *("404", "503"),
        ),
        "/api/plot": _get(
            "Values over time: [time in s, least, mean, largest]",
            _object(series=_many({"type": "object"})),
            *("400", "404", "503"),
            parameters=[
                _query(
                    "pack", {**TEXT, "minLength": 1, "maxLength": 120}, required=True
                ),
                _query("values", {**TEXT, "minLength": 1}, required=True),
                _query("from_ms", time),
                _query("to_ms", time),
                _query("points", _whole(1, 1_000)),
            ],
        ),
        "/api/records": _get(
            "Records of proof tests, newest first",
            _object(records=_many({"type": "object"})),
            *("404", "503"),
        ),
        "/record": _get(
            "One record, to read, print and sign",
            TEXT,
            *("404", "503"),
            kind="text/html",
            parameters=[_query("name", TEXT, required=True)],
            own=LETTER,
        ),
        "/api/openapi.json": _get("This document", {"type": "object"}),
        "/api/session": _get(
            "Whether this browser may act, and the key of its session",
            _object(may_act=TRUTH, can_sign_in=TRUTH, key={"type": ["string", "null"]}),
        ),
    }


def _post(what: str, body: object | None, *others: str, open_: bool) -> dict[str, Any]:
    whole: dict[str, Any] = {
        "summary": what,
        "responses": _answers(_object(ok=TRUTH), *others, "403", "413"),
    }
    if body is not None:
        whole["requestBody"] = {"required": True, "content": {JSON: {"schema": body}}}
    if not open_:
        whole["security"] = [{"session": [], "key": []}]
    return {"post": whole}


def _acting() -> dict[str, Any]:
    def text(most: int, least: int = 0) -> dict[str, Any]:
        return {**TEXT, "maxLength": most, "minLength": least}

    wish = {
        "type": "object",
        "required": ["do"],
        "additionalProperties": False,
        "properties": {
            "do": {"enum": [verb.value for verb in Verb]},
            "alarm": text(80),
            "subject": text(120),
            "reason": text(200),
            "for_min": _whole(0, 1_440),
        },
    }
    token = {
        "type": "object",
        "required": ["token"],
        "additionalProperties": False,
        "properties": {"token": text(200)},
    }
    return {
        "/api/sign-in": _post(
            "Sign in with the site's token",
            token,
            *("400", "401", "415", "429"),
            open_=True,
        ),
        "/api/sign-out": _post("End this session", None, "401", open_=False),
        "/api/act": _post(
            "Acknowledge, silence, shelve and so on. Nothing energises a permit",
            wish,
            *("400", "401", "409", "415", "503"),
            open_=False,
        ),
    }
