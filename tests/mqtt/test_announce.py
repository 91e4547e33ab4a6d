"""Announcements in an integrator's own shape."""

from __future__ import annotations

import asyncio
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

import broker
from mqtt_stage import LEFT, ROOT, STATE, hut, publishing
from site_files import SMALL
from tocsin.cli import main
from tocsin.mqtt import would_announce
from tocsin.ports import Announcement, BrokerSpec
from tocsin_config import SiteFileError, load
from tocsin_config.announce import HOLES, read_template

if TYPE_CHECKING:
    from collections.abc import Iterator

SHIPPED = Path(__file__).parents[2] / "deploy/mqtt"
SHAPE = Announcement(
    topic="catalogue/{id}",
    body={
        "label": "{name}",
        "listen": "{value_topic}",
        "ask": "{command_topic}",
        "in": "{unit}",
        "decimals": "{precision}",
        "words": "in {unit}.",
        "list": ["{datatype}", 7, None],
        "nothing": None,
    },
)


def announced(**spec: Any) -> dict[str, Any]:
    how = {"host": "h", "announcement": SHAPE, **spec}
    made = would_announce(BrokerSpec(**how), hut())
    assert all(message.is_retained for message in made.values())
    return {topic: json.loads(message.payload) for topic, message in made.items()}


def test_a_number_bears_its_unit_and_precision_and_no_command() -> None:
    assert announced()["catalogue/fern-ridge-hut-left-cells-c01"] == {
        "label": "Pack left Cells Cell 1",
        "listen": f"{LEFT}/cells/c01",
        "in": "V",
        "decimals": 3,
        "words": "in V.",
        "list": ["float", 7, None],
        "nothing": None,
    }


def test_a_text_has_no_unit_and_no_precision() -> None:
    told = announced()["catalogue/fern-ridge-hut-alarm-text"]
    assert told.keys() & {"in", "decimals"} == set()
    assert told["words"] == "in ."


def test_commands_are_announced_only_where_they_are_obeyed() -> None:
    key = "catalogue/fern-ridge-hut-command-silence"
    assert key not in announced()
    assert key not in announced(is_commanded=True, protocol="3.1.1")
    told = announced(is_commanded=True)[key]
    assert told["ask"] == f"{ROOT}/command/silence/set"
    assert "listen" not in told


def test_every_value_has_a_topic_of_its_own() -> None:
    told = announced()
    listened = [each["listen"] for each in told.values()]
    assert len(set(listened)) == len(listened) == len(told)


def test_the_shipped_example_is_sound_and_uses_every_placeholder() -> None:
    raw, made, problems = read_template(SHIPPED / "announce-example.txt")
    assert problems == []
    assert raw is not None
    assert made is not None
    assert all(f"{{{hole}}}" in raw.decode() for hole in HOLES)


GOOD = 'topic: a/{id}\n\n{"x": "{name}"}\n'


@pytest.mark.parametrize(
    ("text", "line", "wrong"),
    [
        ("", 1, "topic: is missing"),
        ('\n{"x": 1}', 1, "topic: is missing"),
        ("topic: a/{id}\n", 2, "the JSON is missing"),
        (GOOD.replace("{id}", "b"), 1, "on the same topic; put {id} in it"),
        (GOOD.replace("a/", "a/+/"), 1, "no + and #"),
        (GOOD.replace("a/", "$a/"), 1, "the broker's own"),
        (GOOD.replace("a/", "{nmae}/"), 1, "unknown placeholder {nmae}; did you mean"),
        (GOOD.replace("{name}", "{nmae}"), 3, "{nmae}; did you mean 'name'?"),
        ('# ok\ntopic: a/{id}\n\n{\n "x": {name}\n}', 5, "is no JSON"),
        ('topic: a/{id}\n\n{"x": 1,\n\n}', 5, "is no JSON"),
        ('topic: a/{id}\ntopic: b/{id}\n\n{"x": 1}', 2, "one topic line"),
        ('topic: a/{id}\nretain: no\n\n{"x": 1}', 2, "one topic line"),
        ('topic: a/{id}\n\n["{name}",\n "{unti}"]', 4, "{unti}; did you mean 'unit'?"),
        ('topic: a/{id}\n\n{\n"{name}": 1}', 4, "has a placeholder"),
        ('topic: a/{id}\n\n"x"', 3, "is no object"),
    ],
)
def test_a_bad_template_is_told_with_its_line(
    text: str, line: int, wrong: str, tmp_path: Path
) -> None:
    site = tmp_path / "site.toml"
    site.write_text(f'{SMALL}\n[mqtt]\n[mqtt.announce]\ntemplate = "a.txt"\n')
    (tmp_path / "a.txt").write_text(text)
    with pytest.raises(SiteFileError) as caught:
        load(site)
    told = [str(each) for each in caught.value.problems]
    assert any(f"a.txt:{line}: " in each and wrong in each for each in told), told


def test_a_template_that_is_not_there_is_told_at_its_key(tmp_path: Path) -> None:
    site = tmp_path / "site.toml"
    site.write_text(f'{SMALL}\n[mqtt]\n[mqtt.announce]\ntemplate = "a.txt"\n')
    with pytest.raises(
        SiteFileError, match=r"mqtt\.announce\.template: a\.txt: cannot"
    ):
        load(site)


def test_the_command_prints_what_would_be_sent_and_sends_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    site = tmp_path / "site.toml"
    site.write_text(f'{SMALL}\n[mqtt]\n[mqtt.announce]\ntemplate = "a.txt"\n')
    (tmp_path / "a.txt").write_text(GOOD)
    assert main(["mqtt", "announce", str(site), "--dry-run", "--json"]) == 0
    said = capsys.readouterr()
    told = [json.loads(line) for line in said.out.splitlines()]
    assert said.err == f"{len(told)} retained messages would be announced\n"
    assert {each["topic"] for each in told} >= {"a/site-alarm-level"}
    (tmp_path / "bare.toml").write_text(SMALL)
    bare = str(tmp_path / "bare.toml")
    assert main(["mqtt", "announce", bare, "--dry-run"]) == 2
    assert "[mqtt.announce]" in capsys.readouterr().err


@pytest.fixture
def running(tmp_path: Path) -> Iterator[broker.Broker]:
    with broker.running(tmp_path) as made:
        yield made


def test_an_announcement_goes_when_its_value_or_its_template_goes(
    running: broker.Broker, tmp_path: Path
) -> None:
    async def run(ears: broker.Ears, shape: Announcement | None, **how: Any) -> None:
        how |= {"announcement": shape}
        async with publishing(running.port, tmp_path, **how) as on:
            await on.until(lambda: ears.kept.get(STATE) == b"ready")
            await on.until(lambda: ears.kept.get(f"{ROOT}/alarm/count") == b"0")

    def kept(ears: broker.Ears, below: str) -> set[str]:
        return {t for t, p in list(ears.kept.items()) if t.startswith(below) and p}

    other = Announcement(topic="register/{id}", body={"n": "{name}"})
    with broker.listening(running.port) as ears:
        asyncio.run(run(ears, SHAPE, is_commanded=True))
        assert "catalogue/fern-ridge-hut-command-silence" in kept(ears, "catalogue/")
        asyncio.run(run(ears, SHAPE))
        ears.wait_for(lambda: "command" not in str(kept(ears, "catalogue/")))
        assert len(kept(ears, "catalogue/")) > 60
        asyncio.run(run(ears, other))
        ears.wait_for(lambda: not kept(ears, "catalogue/"))
        assert len(kept(ears, "register/")) > 60
        asyncio.run(run(ears, None))
        ears.wait_for(lambda: not kept(ears, "register/"))
