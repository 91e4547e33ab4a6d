"""The ``[mqtt]`` table."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import pytest

from site_files import SMALL, loaded, mistakes

if TYPE_CHECKING:
    from pathlib import Path


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
    ],
)
def test_what_cannot_be_is_told_with_its_key(
    keys: str, key: str, said: str, tmp_path: Path
) -> None:
    (problem,) = mistakes(tmp_path, f"{SMALL}\n[mqtt]\n{keys}\n")
    assert problem.key == key
    assert re.search(said, str(problem))
