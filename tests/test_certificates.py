"""Dates of certificates, read and in words."""

from __future__ import annotations

import ssl
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pki import Authority, openssl
from tocsin.certificates import CertificateError, Dates, Held, dates_of, left_s

if TYPE_CHECKING:
    from pathlib import Path

DAY_S = 86_400


def at(year: int, month: int, day: int) -> int:
    return int(datetime(year, month, day, tzinfo=UTC).timestamp())


BEGINS, ENDS = at(2026, 11, 20), at(2028, 11, 21) - 1
OURS = Held(what="our certificate hut.crt", dates=Dates(begins_s=BEGINS, ends_s=ENDS))


@pytest.mark.parametrize("days", [(-1, 730), (-4_000, -1), (1, 9_000), (-1, 30_000)])
def test_dates_are_those_that_openssl_reads(
    days: tuple[float, float], tmp_path: Path
) -> None:
    """The reference reader is `openssl x509 -dates`; from 2050 on the other form of
    time is used (RFC 5280, 4.1.2.5)."""
    path = Authority(tmp_path / "pki").issue("hut", days=days).certificate
    said = dict(
        line.split("=", 1)
        for line in openssl("x509", "-noout", "-dates", "-in", path).splitlines()
    )
    dates = dates_of(ssl.PEM_cert_to_DER_cert(path.read_text()))
    assert dates.begins_s == ssl.cert_time_to_seconds(said["notBefore"])
    assert dates.ends_s == ssl.cert_time_to_seconds(said["notAfter"])


@pytest.mark.parametrize("key", ["rsa:2048", "ed25519"])
def test_dates_do_not_rest_on_the_kind_of_key(key: str, tmp_path: Path) -> None:
    path = tmp_path / "own.crt"
    openssl(
        *("req", "-x509", "-newkey", key, "-noenc", "-subj", "/CN=hut/O=Fern Ridge"),
        *("-keyout", tmp_path / "own.key", "-out", path, "-days", "30"),
    )
    dates = dates_of(ssl.PEM_cert_to_DER_cert(path.read_text()))
    assert dates.ends_s - dates.begins_s == 30 * DAY_S


@given(st.binary(max_size=80))
def test_bytes_that_are_no_certificate_are_told(data: bytes) -> None:
    with pytest.raises(CertificateError):
        dates_of(data)


def test_a_certificate_cut_short_anywhere_is_told_or_has_its_dates(
    tmp_path: Path,
) -> None:
    path = Authority(tmp_path / "pki").issue("hut").certificate
    whole = ssl.PEM_cert_to_DER_cert(path.read_text())
    for length in range(len(whole)):
        with pytest.raises(CertificateError):
            dates_of(whole[:length])


@pytest.mark.parametrize(
    ("at_s", "said"),
    [
        (BEGINS - 1, "is not yet valid"),
        (BEGINS, ""),
        (BEGINS + 1, ""),
        (ENDS - 60 * DAY_S - 1, ""),
        (ENDS - 60 * DAY_S, "ends on 20 November 2028, in 60 days: renew it"),
        (ENDS - 60 * DAY_S + 1, "in 59 days"),
        (ENDS - DAY_S, "in 1 day:"),
        (ENDS - DAY_S + 1, "in less than a day"),
        (ENDS, "in less than a day"),
        (ENDS + 1, "ended on 20 November 2028: renew it"),
    ],
)
def test_each_date_below_at_and_above(at_s: int, said: str) -> None:
    told = OURS.standing(at_s, is_clock_set=True)
    assert said in told
    assert bool(told) is bool(said)
    assert OURS.is_valid(at_s) is (BEGINS <= at_s <= ENDS)


def test_a_clock_that_nobody_set_is_named_beside_the_certificate() -> None:
    early = OURS.standing(at(2026, 11, 2), is_clock_set=False)
    assert early == (
        "our certificate hut.crt is not yet valid: the clock says 2 November 2026; the "
        "certificate starts 20 November 2026: set the clock or wait for network time"
    )
    late = OURS.standing(at(2029, 1, 1), is_clock_set=False)
    assert "renew it, or set the clock if it is wrong" in late
    assert "clock" not in OURS.standing(at(2029, 1, 1), is_clock_set=True)


def test_a_certificate_that_has_not_begun_has_nothing_left() -> None:
    assert left_s(OURS, BEGINS - 1) == 0
    assert left_s(OURS, BEGINS) == ENDS - BEGINS
    assert left_s(OURS, ENDS + 5) == -5
