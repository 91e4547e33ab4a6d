"""What `tocsin check` says of certificates and their files."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from pki import Authority
from site_files import SMALL, written
from tocsin.cli import main

if TYPE_CHECKING:
    from pathlib import Path

TABLE = """
[mqtt]
host = "broker.example"
[mqtt.tls]
ca = "pki/ca.crt"
certificate = "pki/hut.crt"
key = "pki/hut.key"
"""


@pytest.fixture
def authority(tmp_path: Path) -> Authority:
    return Authority(tmp_path / "pki")


def checked(folder: Path, capsys: pytest.CaptureFixture[str]) -> list[str]:
    """Return the lines that speak of TLS; the file can be used whatever they say."""
    path = written(folder, SMALL + TABLE)
    assert main(["check", str(path)]) == 0
    return [line for line in capsys.readouterr().out.splitlines() if "mqtt.tls" in line]


@pytest.mark.parametrize(
    ("days", "said"),
    [
        ((-1, 730), []),
        ((-700, 61), []),
        ((-700, 59.5), ["our certificate", "in 59 days: renew it"]),
        ((-700, 6.5), ["our certificate", "in 6 days: renew it"]),
        ((-700, -1), ["our certificate", "ended on"]),
        ((2, 700), ["our certificate", "not yet valid: the clock says"]),
    ],
)
def test_a_certificate_that_ends_soon_or_does_not_hold_is_doubted(
    days: tuple[float, float],
    said: list[str],
    authority: Authority,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    authority.issue("hut", days=days)
    told = checked(tmp_path, capsys)
    assert len(told) == bool(said)
    assert all(word in told[0] for word in said)


def test_a_key_that_does_not_fit_is_doubted(
    authority: Authority, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    authority.issue("hut")
    authority.issue("other").key.rename(tmp_path / "pki" / "hut.key")
    (told,) = checked(tmp_path, capsys)
    assert "does not fit the certificate" in told


def test_files_that_are_not_there_are_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (told,) = checked(tmp_path, capsys)
    assert f"{tmp_path / 'pki' / 'ca.crt'}: No such file or directory" in told


def test_a_file_that_is_no_certificate_is_named(
    authority: Authority, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    authority.issue("hut").certificate.write_text("-----BEGIN NOTHING-----")
    (told,) = checked(tmp_path, capsys)
    assert f"{tmp_path / 'pki' / 'hut.crt'} holds no certificate in PEM" in told
