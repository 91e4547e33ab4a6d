"""The publisher on a real broker over TLS, with certificates good, bad and renewed.

What a certificate must satisfy: RFC 5280, 4.1.2.5 (dates) and RFC 9525 (names).
"""

from __future__ import annotations

import asyncio
import re
import signal
import ssl
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest

import broker
from mqtt_stage import STATE, Stage, publishing
from pki import Authority, Pair, openssl, over_tls
from tocsin.clock import wall_ms
from tocsin.mqtt import keeper, publisher
from tocsin.ports import Tls
from tocsin.tls import TlsError, load

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

pytestmark = pytest.mark.broker

OURS = "fern-ridge-hut"


@pytest.fixture(scope="module")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    return Authority(tmp_path_factory.mktemp("pki"))


@pytest.fixture(scope="module")
def stranger(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    return Authority(tmp_path_factory.mktemp("strange"), name="Somebody else")


@pytest.fixture
def _often(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(keeper, "LOOK_S", 0.05)
    monkeypatch.setattr(keeper, "ASK_S", 0.05)


def files(authority: Authority, pair: Pair) -> Tls:
    return Tls(ca=authority.ca, certificate=pair.certificate, key=pair.key)


def played(
    folder: Path,
    authority: Authority,
    of_broker: Pair,
    tls: Tls | None,
    act: Callable[[Stage, broker.Broker], Any],
    **spec: Any,
) -> Stage:
    """Publish to a broker that has *of_broker*, do *act*, and return the stage."""

    async def main() -> Stage:
        more = over_tls(authority, of_broker)
        with broker.running(folder, more=more) as running:
            how = {"tls": tls, "wall_ms": wall_ms(), **spec}
            async with publishing(running.port, folder, **how) as on:
                await act(on, running)
            return on

    return asyncio.run(main())


def troubled(
    folder: Path, authority: Authority, of_broker: Pair, tls: Tls | None, **spec: Any
) -> str:
    """Return the first trouble of a publisher that meets such a broker."""

    async def act(on: Stage, _: broker.Broker) -> None:
        await on.until(lambda: any(on.troubles))

    on = played(folder, authority, of_broker, tls, act, **spec)
    return next(filter(None, on.troubles))


def test_a_site_is_published_over_tls_with_a_certificate_of_its_own(
    authority: Authority, tmp_path: Path
) -> None:
    tls = files(authority, authority.issue(OURS))

    async def act(on: Stage, running: broker.Broker) -> None:
        with broker.listening(running.port, tls=load(tls).context) as ears:
            await on.until(lambda: ears.kept.get(STATE) == b"ready")
            await on.until(lambda: on.dates)

    on = played(tmp_path, authority, authority.issue("broker"), tls, act)
    assert set(on.troubles) <= {""}
    assert on.dates[0][0] > 0


@pytest.mark.parametrize(
    ("how", "said"),
    [
        ({"days": (-20, -2)}, r"the broker.s certificate ended on .+ 20\d\d.*renew it"),
        (
            {"days": (3, 30)},
            r"is not yet valid: the clock says .+; the certificate starts .+ network",
        ),
        ({"names": "DNS:elsewhere"}, "does not bear the name 127.0.0.1"),
    ],
    ids=["ended", "not-yet", "other-name"],
)
def test_a_broker_whose_certificate_is_bad_is_refused_in_words(
    how: dict[str, Any], said: str, authority: Authority, tmp_path: Path
) -> None:
    bad = authority.issue("broker", to=tmp_path / "broker", **how)
    tls = files(authority, authority.issue(OURS))
    told = troubled(tmp_path, authority, bad, tls)
    assert told.startswith("no TLS with 127.0.0.1:")
    assert re.search(said, told), told


def test_a_broker_of_an_unknown_authority_is_refused_in_words(
    authority: Authority, stranger: Authority, tmp_path: Path
) -> None:
    tls = files(authority, authority.issue(OURS))
    told = troubled(tmp_path, authority, stranger.issue("broker"), tls)
    assert f"signed by no authority that is in {authority.ca}" in told


@pytest.mark.parametrize(
    ("days", "said"),
    [((-20, -2), "our certificate has ended"), ((3, 30), "not be valid yet")],
)
def test_a_certificate_of_ours_that_the_broker_refuses_is_told(
    days: tuple[float, float], said: str, authority: Authority, tmp_path: Path
) -> None:
    ours = authority.issue(OURS, days=days, to=tmp_path / "ours")
    tls = files(authority, ours)
    told = troubled(tmp_path, authority, authority.issue("broker"), tls)
    assert said in told


def test_a_certificate_of_ours_by_an_authority_that_the_broker_does_not_know(
    authority: Authority, stranger: Authority, tmp_path: Path
) -> None:
    tls = files(authority, stranger.issue(OURS))
    told = troubled(tmp_path, authority, authority.issue("broker"), tls)
    assert "does not know the authority that signed our certificate" in told


def test_a_broker_that_wants_a_certificate_says_so_to_a_site_without(
    authority: Authority, tmp_path: Path
) -> None:
    tls = Tls(ca=authority.ca)
    told = troubled(tmp_path, authority, authority.issue("broker"), tls)
    assert "wants a certificate of ours" in told


def test_tls_to_a_plain_port_is_told(authority: Authority, tmp_path: Path) -> None:
    async def main() -> str:
        with broker.running(tmp_path) as running:
            tls = Tls(ca=authority.ca)
            async with publishing(running.port, tmp_path, tls=tls) as on:
                await on.until(lambda: any(on.troubles))
                return next(filter(None, on.troubles))

    assert "is it the plain port?" in asyncio.run(main())


def test_a_broker_that_wants_tls_is_told_from_one_that_does_not(
    authority: Authority, tmp_path: Path
) -> None:
    told = troubled(tmp_path, authority, authority.issue("broker"), None)
    assert "write a tls table" in told


@pytest.mark.parametrize("which", ["ca", "certificate", "key"])
def test_a_file_that_is_missing_is_named(
    which: str, authority: Authority, tmp_path: Path
) -> None:
    missing = tmp_path / "missing.pem"
    tls = replace(files(authority, authority.issue(OURS)), **{which: missing})
    with pytest.raises(TlsError, match=f"{missing}: No such file"):
        load(tls)


def test_a_key_with_a_password_is_told_and_never_asked_for(
    authority: Authority, tmp_path: Path
) -> None:
    ours, locked = authority.issue(OURS), tmp_path / "locked.key"
    words = ("ec", "-aes256", "-passout", "pass:secret", "-in", ours.key)
    openssl(*words, "-out", locked)
    with pytest.raises(TlsError, match="which nobody could type here"):
        load(replace(files(authority, ours), key=locked))


def test_a_file_that_comes_later_is_taken(
    authority: Authority, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(publisher, "READ_AGAIN_S", 0.05)
    ours, place = authority.issue(OURS), tmp_path / "later.key"
    tls = replace(files(authority, ours), key=place)

    async def act(on: Stage, _: broker.Broker) -> None:
        await on.until(lambda: any(on.troubles))
        assert f"{place}: No such file" in on.troubles[0]
        ours.key.rename(place)
        await on.until(lambda: on.troubles[-1] == "")

    played(tmp_path, authority, authority.issue("broker"), tls, act)


# --- renewed in place ----------------------------------------------------------------


@pytest.mark.usefixtures("_often")
def test_new_files_are_taken_without_a_restart(
    authority: Authority, tmp_path: Path
) -> None:
    path = tmp_path / "ours"
    tls = files(authority, authority.issue("first", days=(-1, 5), to=path))

    async def act(on: Stage, _: broker.Broker) -> None:
        await on.until(lambda: _in_log(tmp_path, "u'first'"))
        await on.until(lambda: on.dates and on.dates[-1][0] < 5 * 86_400_000)
        assert "our certificate" in on.dates[-1][1]
        authority.issue("second", to=path)
        await on.until(lambda: _in_log(tmp_path, "u'second'"))
        await on.until(lambda: on.notes)
        await on.until(lambda: on.dates[-1][0] > 600 * 86_400_000)

    on = played(tmp_path, authority, authority.issue("broker"), tls, act)
    assert "new files are in use" in on.notes[0]
    assert set(on.troubles) <= {""}


@pytest.mark.usefixtures("_often")
@pytest.mark.parametrize(
    ("kind", "said"),
    [
        ("misfit", "does not fit the certificate"),
        ("ended", "ended on"),
        ("not-yet", "not yet valid"),
        ("gone", "No such file"),
        ("stranger", "does not know the authority that signed"),
    ],
)
def test_the_old_certificate_stays_in_use_while_the_new_one_does_not_work(
    kind: str, said: str, authority: Authority, stranger: Authority, tmp_path: Path
) -> None:
    path = tmp_path / "ours"
    tls = files(authority, authority.issue("first", to=path))

    def spoil() -> None:
        match kind:
            case "misfit":
                authority.issue("other").key.rename(path.with_suffix(".key"))
            case "ended":
                authority.issue("second", to=path, days=(-9, -2))
            case "not-yet":
                authority.issue("second", to=path, days=(2, 9))
            case "gone":
                path.with_suffix(".key").unlink()
            case _:
                stranger.issue("second", to=path)

    async def act(on: Stage, running: broker.Broker) -> None:
        with broker.listening(running.port, tls=load(tls).context) as ears:
            await on.until(lambda: ears.kept.get(STATE) == b"ready")
            spoil()
            await on.until(lambda: any(on.troubles))
            await on.until(lambda: ears.kept.get(STATE) == b"ready")
            (told,) = filter(None, on.troubles)
            assert said in told
            assert "old one" in told
            assert on.notes == []
            authority.issue("third", to=path)
            await on.until(lambda: _in_log(tmp_path, "u'third'"))
            await on.until(lambda: on.troubles[-1] == "")
            await on.until(lambda: on.notes)

    played(tmp_path, authority, authority.issue("broker"), tls, act)


@pytest.mark.usefixtures("_often")
def test_a_broker_that_got_a_new_certificate_is_believed_after_sighup(
    authority: Authority, tmp_path: Path
) -> None:
    """mosquitto reads its certificate again on SIGHUP: mosquitto(8), Signals."""
    path = tmp_path / "server"
    of_broker = authority.issue("broker", days=(-1, 5), to=path)
    tls = files(authority, authority.issue(OURS))

    async def act(on: Stage, running: broker.Broker) -> None:
        await on.until(lambda: on.dates and on.dates[-1][0] < 5 * 86_400_000)
        assert "the broker's certificate ends on" in on.dates[-1][1]
        authority.issue("broker", to=path)
        running.send_signal(signal.SIGHUP)
        await on.until(lambda: on.dates[-1][0] > 600 * 86_400_000)

    on = played(tmp_path, authority, of_broker, tls, act)
    assert set(on.troubles) <= {""}


def _in_log(folder: Path, text: str) -> bool:
    return text in (folder / "broker.log").read_text()


def test_a_client_speaks_no_tls_before_1_2(authority: Authority) -> None:
    """RFC 9325, 3.1.1."""
    context = load(files(authority, authority.issue(OURS))).context
    assert context.minimum_version is ssl.TLSVersion.TLSv1_2
    assert context.check_hostname
    assert context.verify_mode is ssl.CERT_REQUIRED
