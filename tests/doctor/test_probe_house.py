"""The looks at journal, broker, certificates and libraries; nothing is left behind."""

from __future__ import annotations

import asyncio
import os
import socket
from dataclasses import replace
from pathlib import Path
from unittest.mock import Mock

import pytest

import broker
from doctor_stage import DAEMON, NOW_MS
from journal_stage import Stamps, as_nobody, note
from pki import Authority, over_tls
from site_files import loaded
from tocsin.doctor import Machine
from tocsin.doctor.machine import node
from tocsin.doctor.probe_house import brokers, certificates, journal, secrets, software
from tocsin.doctor.probe_machine import clock, disk
from tocsin.doctor.seen import Kind
from tocsin.journal.rows import Entry, values
from tocsin.journal.store import Store
from tocsin.mqtt import knock
from tocsin.ports import BrokerSpec, Tls


def kept(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def test_a_journal_is_checked_without_leaving_anything_beside_it(
    tmp_path: Path,
) -> None:
    assert not journal(tmp_path).is_there
    written(tmp_path)
    before = kept(tmp_path)
    seen = journal(tmp_path)
    assert (seen.is_checked, seen.trouble, seen.rows) == (True, "", 400)
    assert kept(tmp_path) == before


def written(folder: Path) -> None:
    store = Store(folder, wall_ms=lambda: NOW_MS)
    entries = [
        Entry(seq=number, fact=note(number), wall_ms=NOW_MS) for number in range(400)
    ]
    store.append([values(entry, Stamps()) for entry in entries])
    store.close()


def test_a_damaged_journal_is_told(tmp_path: Path) -> None:
    written(tmp_path)
    path = tmp_path / "journal.db"
    whole = bytearray(path.read_bytes())
    whole[8_192:12_288] = os.urandom(4_096)
    path.write_bytes(whole)
    assert journal(tmp_path).trouble
    path.write_bytes(b"no database at all, and longer than its head" * 40)
    assert "no sound database" in journal(tmp_path).trouble


def trouble(spec: BrokerSpec) -> str:
    """Return what is told of a fleet's broker, which is what is told of any."""
    setup = Mock(brokers={"fleet": spec})
    (seen,) = brokers(setup)
    return seen.trouble


@pytest.mark.broker
def test_a_broker_is_asked_with_the_account_of_the_site(tmp_path: Path) -> None:
    free = broker.free_port()
    assert "127.0.0.1" in trouble(BrokerSpec(host="127.0.0.1", port=free))
    word = tmp_path / "word"
    word.write_text("wrong")
    with broker.running(tmp_path) as running, broker.listening(running.port) as ears:
        spec = BrokerSpec(host="127.0.0.1", port=running.port)
        assert trouble(spec) == ""
        assert not ears.heard, "nothing is said to anyone"
    with broker.running(tmp_path, more="allow_anonymous false") as running:
        spec = BrokerSpec(
            host="127.0.0.1", port=running.port, username="hut", password_file=word
        )
        assert "refuses" in trouble(spec)
        gone = BrokerSpec(
            host="127.0.0.1",
            port=running.port,
            username="hut",
            password_file=tmp_path / "gone",
        )
        assert "gone" in trouble(gone)


@pytest.mark.broker
def test_certificates_and_keys_for_the_broker_are_looked_at(tmp_path: Path) -> None:
    authority = Authority(tmp_path / "pki")
    ours = authority.issue("hut", days=(-1, 40))
    served = authority.issue("broker", days=(-1, 20))
    with broker.running(tmp_path, more=over_tls(authority, served)) as running:
        tls = Tls(ca=authority.ca, certificate=ours.certificate, key=ours.key)
        spec = BrokerSpec(host="localhost", port=running.port, tls=tls)
        setup = replace(loaded(tmp_path), broker=spec)
        assert trouble(spec) == ""
        seen = [each.held for each in certificates(Machine(), setup)]
    whats = [held.what for held in seen if held is not None]
    assert whats == [
        f"our certificate {ours.certificate}",
        f"the authority's certificate {authority.ca}",
        "the broker's certificate",
    ]
    assert ours.key in [Path(each.node.path) for each in secrets(setup, DAEMON)]


def test_a_certificate_that_is_not_there_is_told(tmp_path: Path) -> None:
    gone = BrokerSpec(
        host="127.0.0.1",
        port=broker.free_port(),
        tls=Tls(certificate=tmp_path / "gone.crt"),
    )
    setup = replace(loaded(tmp_path), broker=gone)
    (only,) = certificates(Machine(), setup)
    assert only.held is None
    assert "gone.crt: No such file" in only.trouble


def test_the_libraries_here_are_what_the_project_asks_for(tmp_path: Path) -> None:
    seen = software(loaded(tmp_path))
    names = {each.name for each in seen.packages}
    assert {"aiohttp", "pymodbus", "python-can", "paho-mqtt"} <= names
    assert "pytest" not in names
    assert all(each.version and not each.is_empty for each in seen.packages)
    assert {"sunspec", "lgpio"} <= set(seen.drivers)


def test_what_may_not_be_seen_is_unknown_and_no_look_fails(
    tmp_path: Path,
) -> None:
    folder = tmp_path / "kept"
    written(folder)
    folder.chmod(0o700)
    with as_nobody():
        seen = journal(folder)
        assert (seen.is_there, seen.is_checked) == (True, False)
        assert "cannot be read" in seen.trouble
        assert clock(Machine(), folder).newest_ms is None
        assert node(folder / "journal.db").kind is Kind.UNSEEN
        assert disk(Machine(), folder, DAEMON).folder.kind is Kind.UNSEEN


def test_a_broker_that_takes_the_call_and_says_nothing_is_left_in_time() -> None:
    with socket.create_server(("127.0.0.1", 0)) as mute:
        spec = BrokerSpec(host="127.0.0.1", port=mute.getsockname()[1])
        said = asyncio.run(knock(spec, within_s=0.2))
    assert said == "no answer within 0.2 s"
