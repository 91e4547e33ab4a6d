"""What the page answers over real sockets, and what it refuses."""

from __future__ import annotations

import asyncio
import json
import socket
import ssl
import subprocess
from typing import TYPE_CHECKING, Any

import pytest

from broker import free_port
from core_builders import site
from page_stage import TOKEN, Served, daemon
from tocsin.core.engine import step
from tocsin.core.events import Tick
from tocsin.core.state import fresh
from tocsin.page import Page
from tocsin.page.asked import LONGEST_BODY
from tocsin.page.guard import HEADERS, TRIES
from tocsin.page.openapi import document
from tocsin.ports import PageSpec

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

PATHS = [path for path, ways in document()["paths"].items() if "get" in ways]


@pytest.fixture(scope="module")
def stage(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    with daemon(tmp_path_factory.mktemp("page")) as served:
        served.online()
        served.wait("/api/history", lambda told: told["to_ms"])
        yield served


def assert_guarded(headers: dict[str, str]) -> None:
    for name, text in HEADERS.items():
        assert headers[name.lower()] == text


@pytest.mark.parametrize(
    "path",
    ["/", "/page.css", "/page.js", "/past.js", "/no", "/api/now", "/api/records"],
)
def test_every_answer_bears_the_headers(stage: Served, path: str) -> None:
    status, headers, _ = stage.ask("GET", path)
    assert status == (404 if path == "/no" else 200)
    assert_guarded(headers)


def test_no_page_has_a_script_or_a_style_of_its_own(stage: Served) -> None:
    _, _, raw = stage.ask("GET", "/")
    html = raw.decode()
    assert "<style" not in html
    assert " style=" not in html
    assert html.count("<script") == html.count('<script type="module" src="/page.js">')
    assert "http://" not in html
    assert "https://" not in html


def test_the_page_is_small_enough_for_a_slow_link(stage: Served) -> None:
    """Packed, everything the first screen needs: 20 kB are 3 s at 56 kbit/s."""
    sizes = [
        int(stage.ask("GET", path, Accept_Encoding="gzip")[1]["content-length"])
        for path in ("/", "/page.css", "/page.js", "/draw.js", "/icon.svg")
    ]
    assert sum(sizes) < 20_000, sizes


@pytest.mark.parametrize("host", ["evil.example", "", "evil.example:8460"])
def test_a_strangers_name_gets_nothing(stage: Served, host: str) -> None:
    status, headers, told = stage.ask("GET", "/api/now", Host=host)
    assert (status, told["ok"]) == (421, False)
    assert_guarded(headers)


WISH = {"do": "silence", "for_min": 1}


def test_nobody_acts_without_a_session(stage: Served) -> None:
    for headers in ({}, {"Cookie": "tocsin=x"}, {"X_Tocsin_Key": "x"}):
        status, _, told = stage.ask("POST", "/api/act", WISH, **headers)
        assert (status, told["why"]) == (401, "sign in first")


def test_a_cookie_alone_does_not_act(stage: Served) -> None:
    session = stage.signed_in()
    cookie = {"Cookie": session["Cookie"]}
    assert stage.ask("POST", "/api/act", WISH, **cookie)[0] == 403
    wrong = stage.signed_in()["X_Tocsin_Key"]
    assert stage.ask("POST", "/api/act", WISH, **cookie, X_Tocsin_Key=wrong)[0] == 403
    assert stage.ask("POST", "/api/act", WISH, **session)[0] == 200


@pytest.mark.parametrize(
    "headers", [{"Origin": "http://evil.example"}, {"Sec_Fetch_Site": "cross-site"}]
)
def test_another_sites_page_does_not_act(
    stage: Served, headers: dict[str, str]
) -> None:
    assert stage.ask("POST", "/api/act", WISH, **stage.signed_in(), **headers)[0] == 403


def test_who_signed_out_does_not_act(stage: Served) -> None:
    session = stage.signed_in()
    assert stage.ask("POST", "/api/sign-out", **session)[0] == 200
    assert stage.ask("POST", "/api/act", WISH, **session)[0] == 401


def test_the_cookie_is_hidden_from_scripts_and_other_sites(stage: Served) -> None:
    _, headers, _ = stage.ask("POST", "/api/sign-in", {"token": TOKEN})
    cookie = headers["set-cookie"]
    assert "; HttpOnly; SameSite=Strict" in cookie
    assert "Secure" not in cookie  # this is plain HTTP
    assert "Max-Age=43200" in cookie


@pytest.mark.parametrize(
    ("wish", "status"),
    [
        ({}, 400),
        ([], 400),
        ({"do": "energise"}, 400),
        ({"do": 1}, 400),
        ({"do": "silence", "extra": 1}, 400),
        ({"do": "silence", "for_min": 1_441}, 400),
        ({"do": "silence", "for_min": -1}, 400),
        ({"do": "silence", "for_min": True}, 400),
        ({"do": "silence", "for_min": 60}, 200),
        ({"do": "silence", "for_min": 61}, 409),
        ({"do": "shelve", "alarm": "low-cell", "for_min": 5}, 409),
        ({"do": "shelve", "alarm": "a" * 81}, 400),
        ({"do": "acknowledge", "alarm": "no-such"}, 409),
        ({"do": "shelve", "reason": "x" * LONGEST_BODY}, 413),
    ],
)
def test_a_wish_is_checked_and_refused_in_words(
    stage: Served, wish: Any, status: int
) -> None:
    got, headers, told = stage.ask("POST", "/api/act", wish, **stage.signed_in())
    assert got == status
    assert_guarded(headers)
    if status == 413:
        return
    assert told["ok"] is (status == 200)
    assert told["why"]


def test_only_json_is_taken(stage: Served) -> None:
    session = stage.signed_in()
    form = {"Content_Type": "application/x-www-form-urlencoded"}
    assert stage.ask("POST", "/api/act", WISH, **session, **form)[0] == 415


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "POST", "OPTIONS"])
def test_what_can_be_read_can_only_be_read(stage: Served, method: str) -> None:
    status, headers, _ = stage.ask(method, "/api/now")
    assert (status, headers["allow"]) == (405, "GET")


@pytest.mark.parametrize(
    "path", [p for p in PATHS if p not in {"/api/stream", "/api/plot", "/record"}]
)
def test_everything_can_be_read_without_a_token(stage: Served, path: str) -> None:
    assert stage.ask("GET", path)[0] == 200


@pytest.mark.parametrize(
    ("query", "status"),
    [
        ("pack=left&values=current", 200),
        ("pack=left&values=cell/1,cell/2&points=1000", 200),
        ("pack=left&values=current&points=1001", 400),
        ("pack=left&values=current&points=0", 400),
        ("pack=left&values=current&from_ms=2&to_ms=1", 400),
        ("pack=left&values=", 400),
        ("values=current", 400),
        ("pack=left&values=no-such", 404),
        (f"pack=left&values={'current,' * 65}", 400),
        ("pack=nobody&values=current", 200),
    ],
)
def test_a_plot_is_bounded(stage: Served, query: str, status: int) -> None:
    got, _, told = stage.ask("GET", f"/api/plot?{query}")
    assert got == status, told


def test_the_stream_begins_with_the_whole_picture(stage: Served) -> None:
    with socket.create_connection(("127.0.0.1", stage.port), 10) as line:
        line.sendall(b"GET /api/stream HTTP/1.1\r\nHost: localhost\r\n\r\n")
        text = b""
        while b"event: parts" not in text:
            text += line.recv(65_536)
    head, _, rest = text.decode().partition("\r\n\r\n")
    assert "Content-Type: text/event-stream" in head
    assert "event: whole" in rest
    assert rest.index("event: whole") < rest.index("event: parts")


def test_the_document_says_what_is_there(stage: Served) -> None:
    _, _, told = stage.ask("GET", "/api/openapi.json")
    assert told == json.loads(json.dumps(document()))


# Last: it makes the address of these tests wait.
def test_guessing_the_token_is_slowed_down(stage: Served) -> None:
    wrong = {"token": "a-wrong-token"}
    got = [stage.ask("POST", "/api/sign-in", wrong)[0] for _ in range(TRIES + 1)]
    assert got == [401] * TRIES + [429]
    status, headers, _ = stage.ask("POST", "/api/sign-in", {"token": TOKEN})
    assert status == 429
    assert 0 < int(headers["retry-after"]) <= 61


class Heard:
    """What a page says is wrong."""

    def __init__(self) -> None:
        self.said: list[str] = []
        self.news = asyncio.Event()

    def __call__(self, reason: str) -> None:
        self.said.append(reason)
        self.news.set()


def made(spec: PageSpec, folder: Path, heard: Heard) -> Page:
    async def ask(_stamp: object) -> Any:
        raise AssertionError

    return Page(
        spec, site=site(), folder=folder, wall_ms=lambda: 0, ask=ask, on_trouble=heard
    )


def test_a_taken_port_is_a_trouble_and_nothing_else(tmp_path: Path) -> None:
    async def story() -> list[str]:
        heard = Heard()
        with socket.create_server(("127.0.0.1", 0)) as other:
            port = other.getsockname()[1]
            async with made(PageSpec(port=port), tmp_path, heard):
                await asyncio.wait_for(heard.news.wait(), 30)
        return heard.said

    (said,) = asyncio.run(story())
    assert said.startswith("cannot listen on 127.0.0.1 port ")
    assert said.endswith("address already in use")


def test_a_certificate_that_is_none_is_a_trouble(tmp_path: Path) -> None:
    async def story() -> list[str]:
        heard = Heard()
        spec = PageSpec(port=free_port(), certificate=tmp_path / "no.pem")
        async with made(spec, tmp_path, heard):
            await asyncio.wait_for(heard.news.wait(), 30)
        return heard.said

    (said,) = asyncio.run(story())
    assert said == f"{tmp_path / 'no.pem'}: No such file or directory"


async def connected(
    port: int, trusting: ssl.SSLContext
) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
    """Return a line to what will listen there soon."""
    async with asyncio.timeout(30):
        while True:
            try:
                return await asyncio.open_connection(
                    "127.0.0.1", port, ssl=trusting, server_hostname="localhost"
                )
            except ConnectionRefusedError:
                await asyncio.sleep(0.05)


def test_the_owners_certificate_is_used(tmp_path: Path) -> None:
    pem, key = tmp_path / "hut.pem", tmp_path / "hut.key"
    subprocess.run(
        (
            *("openssl", "req", "-x509", "-newkey", "ec", "-nodes", "-days", "2"),
            *("-pkeyopt", "ec_paramgen_curve:prime256v1", "-subj", "/CN=localhost"),
            *("-addext", "subjectAltName=DNS:localhost"),
            *("-keyout", str(key), "-out", str(pem)),
        ),
        check=True,
        capture_output=True,
    )
    (tmp_path / "token").write_text(TOKEN)
    (tmp_path / "token").chmod(0o600)

    async def story() -> str:
        spec = PageSpec(
            port=free_port(), certificate=pem, key=key, token_file=tmp_path / "token"
        )
        page = made(spec, tmp_path, Heard())
        state = fresh(site(), now_ms=0)
        async with page:
            page.stepped(step(state, Tick(at_ms=0), site()))
            trusting = ssl.create_default_context(cafile=str(pem))
            reader, writer = await connected(spec.port, trusting)
            body = json.dumps({"token": TOKEN}).encode()
            writer.write(
                b"POST /api/sign-in HTTP/1.1\r\nHost: localhost\r\n"
                b"Connection: close\r\n"
                b"Content-Type: application/json\r\nContent-Length: %d\r\n\r\n"
                % len(body)
                + body
            )
            text = (await reader.read()).decode()
            writer.close()
            await writer.wait_closed()
            return text

    text = asyncio.run(story())
    assert text.startswith("HTTP/1.1 200")
    assert "SameSite=Strict; Secure" in text
