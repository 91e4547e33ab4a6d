"""The ``[mqtt]`` and ``[fleet]`` tables."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from site_files import SMALL, loaded, mistakes
from tocsin.ports import Tls
from tocsin_config import doubts


def test_host_and_port_alone_mean_mqtt_5_and_no_commands(tmp_path: Path) -> None:
    text = f'{SMALL}\n[mqtt]\nhost = "127.0.0.1"\nport = 1883\n'
    spec = loaded(tmp_path, text).broker
    assert spec is not None
    assert (spec.protocol, spec.domain, spec.base) == ("5", "homie", "tocsin")
    assert (spec.is_commanded, spec.announcement) == (False, None)


@pytest.mark.parametrize(
    ("keys", "key", "said"),
    [
        ('protocol = "3.1.1"\ncommands = true', "mqtt.commands", "cannot tell"),
        ('protocol = "3.1"', "mqtt.protocol", "unknown protocol"),
        ('domain = "a/b"', "mqtt.domain", "one topic level"),
        ('domain = "$a"', "mqtt.domain", "one topic level"),
        ('commands = "yes"', "mqtt.commands", "true or false"),
        ("[mqtt.announce]", "mqtt.announce.template", "missing"),
        ('[mqtt.tls]\nkey = "hut.key"', "mqtt.tls.key", "without a certificate"),
        ('[mqtt.tls]\ncafile = "x"', "mqtt.tls.cafile", "unknown key"),
        ('password = "x"', "mqtt.password", "secret in the site file"),
    ],
)
def test_what_cannot_be_is_told_with_its_key(
    keys: str, key: str, said: str, tmp_path: Path
) -> None:
    (problem,) = mistakes(tmp_path, f"{SMALL}\n[mqtt]\n{keys}\n")
    assert problem.key == key
    assert re.search(said, str(problem))


@pytest.mark.parametrize(
    ("keys", "port"),
    [
        ("", 1_883),
        ("[mqtt.tls]", 8_883),
        ("port = 1884", 1_884),
        ("port = 1884\n[mqtt.tls]", 1_884),
    ],
)
def test_tls_has_the_port_registered_for_it_unless_another_is_given(
    keys: str, port: int, tmp_path: Path
) -> None:
    """IANA Service Name and Transport Protocol Port Number Registry: mqtt 1883,
    secure-mqtt 8883."""
    spec = loaded(tmp_path, f"{SMALL}\n[mqtt]\n{keys}\n").broker
    assert spec is not None
    assert spec.port == port


def test_files_of_tls_lie_beside_the_site_file(tmp_path: Path) -> None:
    table = '[mqtt.tls]\nca = "ca.crt"\ncertificate = "hut.crt"\nkey = "/k/hut.key"\n'
    spec = loaded(tmp_path, f"{SMALL}\n[mqtt]\n{table}").broker
    assert spec is not None
    assert spec.tls == Tls(
        ca=tmp_path / "ca.crt", certificate=tmp_path / "hut.crt", key=Path("/k/hut.key")
    )


@pytest.mark.parametrize(
    ("host", "tls", "commands", "said"),
    [
        ("127.0.0.1", "", "true", ""),
        ("127.0.0.2", "", "true", ""),
        ("::1", "", "true", ""),
        ("localhost", "", "true", ""),
        ("broker.example", "[mqtt.tls]", "true", ""),
        ("broker.example", "", "false", "pose as the broker;"),
        ("192.0.2.7", "", "true", "pose as the broker and give commands;"),
    ],
)
def test_a_broker_elsewhere_without_tls_is_doubted(
    host: str, tls: str, commands: str, said: str, tmp_path: Path
) -> None:
    keys = f'host = "{host}"\ncommands = {commands}\n{tls}'
    told = [
        str(each)
        for each in doubts(loaded(tmp_path, f"{SMALL}\n[mqtt]\n{keys}\n"))
        if each.key == "mqtt.host"
    ]
    assert len(told) == bool(said)
    assert all(said in each and "without encryption" in each for each in told)


@pytest.mark.parametrize("key", ["password_file", "key"])
@pytest.mark.parametrize(
    ("mode", "count"), [(0o600, 0), (0o640, 0), (0o644, 1), (0o602, 1)]
)
def test_a_secret_that_everybody_can_read_or_change_is_doubted(
    key: str, mode: int, count: int, tmp_path: Path
) -> None:
    secret = tmp_path / "secret"
    secret.write_text("x")
    secret.chmod(mode)
    table = {
        "password_file": 'username = "hut"\npassword_file = "secret"',
        "key": '[mqtt.tls]\ncertificate = "hut.crt"\nkey = "secret"',
    }[key]
    told = [
        each
        for each in doubts(loaded(tmp_path, f"{SMALL}\n[mqtt]\n{table}\n"))
        if f"everybody on this machine can read or change {secret}" in each.wrong
    ]
    assert len(told) == count


def test_a_host_alone_makes_a_fleet_that_gives_no_history(tmp_path: Path) -> None:
    assert loaded(tmp_path, SMALL).fleet is None
    made = loaded(tmp_path, f'{SMALL}\n[fleet]\nhost = "fleet.example.org"\n').fleet
    assert made is not None
    assert (made.name, made.gives_history) == ("", False)
    assert (made.broker.protocol, made.broker.port) == ("5", 1883)
    assert (made.broker.keepalive_s, made.broker.is_commanded) == (60, False)


def test_a_fleet_is_reached_over_tls_where_its_table_says_so(tmp_path: Path) -> None:
    table = '[fleet]\nhost = "fleet.example.org"\n[fleet.tls]\nca = "ca.crt"\n'
    made = loaded(tmp_path, f"{SMALL}\n{table}").fleet
    assert made is not None
    assert made.broker.port == 8883
    assert made.broker.tls is not None
    assert made.broker.tls.ca == tmp_path / "ca.crt"


@pytest.mark.parametrize(
    ("keys", "key", "said"),
    [
        ("", "fleet.host", "missing"),
        ('host = "h"\nname = "Fern Ridge"', "fleet.name", "lower-case"),
        ('host = "h"\nname = "a/b"', "fleet.name", "lower-case"),
        ('host = "h"\ncommands = true', "fleet.commands", "unknown key"),
        ('host = "h"\npassword_file = "p"', "fleet.password_file", "username"),
        ('host = "h"\n[fleet.tls]\nkey = "k"', "fleet.tls.key", "certificate"),
    ],
)
def test_what_cannot_be_of_a_fleet_is_told_with_its_key(
    keys: str, key: str, said: str, tmp_path: Path
) -> None:
    (problem,) = mistakes(tmp_path, f"{SMALL}\n[fleet]\n{keys}\n")
    assert problem.key == key
    assert re.search(said, str(problem))
