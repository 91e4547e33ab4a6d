"""Who may ask and who may act."""

from __future__ import annotations

import stat
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tocsin.page.guard import (
    ALL_TRIES,
    MOST_PEERS,
    MOST_SESSIONS,
    SESSION_S,
    TRIES,
    TRIES_WITHIN_S,
    Guard,
    brings_key,
    is_host_known,
    is_same_site,
)
from tocsin.page.token import TokenError, token

if TYPE_CHECKING:
    from pathlib import Path

TOKEN = "right-token-of-this-site"
NAMES = frozenset({"localhost", "hut.example"})


@pytest.mark.parametrize(
    "host",
    [
        *("localhost", "localhost:8460", "127.0.0.1:8460", "[::1]:8460", "192.0.2.7"),
        *("hut.example", "HUT.example:1", "hut.example."),
    ],
)
def test_this_machine_is_known_by_its_addresses_and_names(host: str) -> None:
    assert is_host_known(host, NAMES)


@pytest.mark.parametrize(
    "host",
    [
        *("", "evil.example", "127.0.0.1.evil.example", "hut.example.evil.example"),
        *("user@localhost", "localhost/x", "localhost:port", "[::1", "local host", "?"),
    ],
)
def test_a_strangers_name_is_not_known_even_if_it_points_here(host: str) -> None:
    assert not is_host_known(host, NAMES)


@given(st.text(max_size=300))
def test_no_host_header_breaks_the_check(host: str) -> None:
    assert is_host_known(host, frozenset()) in {True, False}


@pytest.mark.parametrize(
    ("headers", "fits"),
    [
        ({}, True),
        ({"origin": "http://hut.example:8460"}, True),
        ({"origin": "http://evil.example"}, False),
        ({"origin": "null"}, False),
        ({"origin": "http://["}, False),
        ({"origin": "//[::1"}, False),
        ({"origin": "http://hut.example:8461"}, False),
        ({"sec-fetch-site": "same-origin"}, True),
        ({"sec-fetch-site": "cross-site"}, False),
        ({"sec-fetch-site": "same-site"}, False),
    ],
)
def test_another_sites_page_is_told_apart(
    headers: dict[str, str], *, fits: bool
) -> None:
    assert is_same_site({"host": "hut.example:8460", **headers}) is fits


def signed_in(guard: Guard, now_s: float = 0.0) -> str:
    cookie = guard.sign_in(TOKEN, "192.0.2.1", now_s)
    assert cookie is not None
    return cookie


@pytest.mark.parametrize(
    "offered", ["", "right-token-of-this-sit", TOKEN + " ", "é\ud800"]
)
def test_a_wrong_token_opens_nothing(offered: str) -> None:
    assert Guard(TOKEN).sign_in(offered, "192.0.2.1", 0.0) is None


def test_without_a_token_nobody_gets_in() -> None:
    assert Guard(None).sign_in("", "192.0.2.1", 0.0) is None


@pytest.mark.parametrize(
    ("age_s", "lives"),
    [(SESSION_S - 1, True), (SESSION_S, False), (SESSION_S + 1, False)],
)
def test_a_session_ends_after_its_time(age_s: float, *, lives: bool) -> None:
    guard = Guard(TOKEN)
    cookie = signed_in(guard)
    assert (guard.session(cookie, age_s) is not None) is lives


def test_a_session_ends_when_its_owner_says_so() -> None:
    guard = Guard(TOKEN)
    cookie = signed_in(guard)
    guard.sign_out(cookie)
    assert guard.session(cookie, 1.0) is None


def test_only_its_own_key_goes_with_a_session() -> None:
    guard = Guard(TOKEN)
    one, two = (guard.session(signed_in(guard), 0.0) for _ in range(2))
    assert one is not None
    assert two is not None
    assert brings_key(one, {"x-tocsin-key": one.key})
    assert not brings_key(one, {"x-tocsin-key": two.key})
    assert not brings_key(one, {})


def test_sessions_are_bounded_and_the_oldest_goes() -> None:
    guard = Guard(TOKEN)
    cookies = [signed_in(guard) for _ in range(MOST_SESSIONS + 1)]
    alive = [guard.session(cookie, 1.0) is not None for cookie in cookies]
    assert alive == [False] + [True] * MOST_SESSIONS


@pytest.mark.parametrize(
    ("failures", "waits"), [(TRIES - 1, False), (TRIES, True), (TRIES + 1, True)]
)
def test_who_fails_too_often_waits(failures: int, *, waits: bool) -> None:
    guard = Guard(TOKEN)
    for _ in range(failures):
        guard.sign_in("wrong", "192.0.2.1", 10.0)
    assert (guard.tries.wait_s("192.0.2.1", 11.0) > 0) is waits
    assert guard.tries.wait_s("192.0.2.2", 11.0) == 0
    assert guard.tries.wait_s("192.0.2.1", 10.0 + TRIES_WITHIN_S) == 0


def test_many_addresses_together_wait_too_and_are_forgotten() -> None:
    guard = Guard(TOKEN)
    for n in range(ALL_TRIES):
        assert guard.tries.wait_s("198.51.100.1", 1.0) == 0
        guard.sign_in("wrong", f"192.0.2.{n}", 1.0)
    assert guard.tries.wait_s("198.51.100.1", 1.0) > 0
    for n in range(2 * MOST_PEERS):
        guard.tries.failed(f"2001:db8::{n:x}", 2.0 + n)
    assert len(guard.tries.by_peer) <= MOST_PEERS


def test_a_token_is_made_once_and_for_the_daemon_alone(tmp_path: Path) -> None:
    made = token(None, tmp_path)
    path = tmp_path / "page-token"
    assert len(made) >= 20
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert token(None, tmp_path) == made


@pytest.mark.parametrize(
    ("text", "mode", "wrong"),
    [
        ("long-enough-token", 0o644, "others may read"),
        ("long-enough-token", 0o620, "others may read"),
        ("too-short-11", 0o600, None),
        ("too-short-1", 0o600, "11 characters"),
        ("x" * 200, 0o600, None),
        ("x" * 201, 0o600, "201 characters"),
        ("", 0o600, "0 characters"),
    ],
)
def test_a_token_others_know_or_could_guess_is_none(
    tmp_path: Path, text: str, mode: int, wrong: str | None
) -> None:
    path = tmp_path / "token"
    path.write_text(text + "\n")
    path.chmod(mode)
    if wrong is None:
        assert token(path, tmp_path) == text
        return
    with pytest.raises(TokenError, match=wrong):
        token(path, tmp_path)


def test_a_missing_token_file_says_which(tmp_path: Path) -> None:
    with pytest.raises(TokenError, match="token"):
        token(tmp_path / "no-such-token", tmp_path)
