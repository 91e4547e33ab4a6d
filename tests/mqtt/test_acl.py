"""What each user may do at the shipped broker with the shipped rules: cell by cell."""

from __future__ import annotations

import asyncio
import signal
import subprocess
import time
from collections import deque
from contextlib import ExitStack
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest

import broker
import cabin as shipped
from cabin import DEVICE, HUB, MQTT, SITE, STRANGER, VIEWER, Cabin, cabin
from core_builders import reading
from mqtt_stage import LEFT, RIGHT, ROOT, STATE, hut, publishing, quick_sweep, verdict
from tocsin.cli import main
from tocsin.clock import stopwatch_s
from tocsin.mqtt.acl import AclError, Rule, acl, acl_file, covers
from tocsin.mqtt.describe import devices
from tocsin.mqtt.names import Names
from tocsin.mqtt.properties import VERBS
from tocsin.ports import Announcement, BrokerSpec
from tocsin.tls import load as load_tls
from tocsin_config import load

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

    from broker import Mouth

pytestmark = pytest.mark.broker

OTHER = "homie/5/other-hut"
COMMANDS = tuple(f"{ROOT}/command/{verb.value}/set" for verb in VERBS)
OF_THE_DEVICE = (
    *(STATE, f"{ROOT}/$description", f"{LEFT}/$state", f"{RIGHT}/$description"),
    *(f"{ROOT}/alarm/level", f"{ROOT}/events/event", f"{LEFT}/cells/c16"),
    *(f"{ROOT}/$alert/horn", f"{RIGHT}/$alert/x", f"{ROOT}/$log/warn"),
    *(f"{ROOT}/output-charge/energised", f"{ROOT}/output-charge/energised/$target"),
    *("catalogue/points/fern-ridge-hut-alarm-level", "tocsin/fern-ridge-hut/snapshot"),
)
REPLY = "reply/fern-ridge-hut/one"
FORBIDDEN = (
    *(f"{ROOT}/output-charge/energised/set", f"{LEFT}/pack/voltage/set"),
    *(f"{ROOT}/command/energise/set", f"{ROOT}/a/b/set", f"{ROOT}/a/b/c/d"),
    *(f"{OTHER}/$state", f"{OTHER}/alarm/level", f"{OTHER}/command/silence/set"),
    *(f"{ROOT}-cellar/$state", "homie/5/$broadcast/x", "reply/other-hut/one"),
    *("catalogue/points/a/b", "catalogue", "elsewhere"),
)
EVERY = (*OF_THE_DEVICE, *COMMANDS, REPLY, *FORBIDDEN)
MAY = {
    DEVICE: {*OF_THE_DEVICE, REPLY},
    HUB: {*COMMANDS},
    VIEWER: set[str](),
    STRANGER: set[str](),
}


@pytest.fixture(scope="module")
def mouths(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, Mouth]]:
    with cabin(tmp_path_factory.mktemp("cabin")) as at, ExitStack() as stack:
        yield {
            user: stack.enter_context(broker.speaking(at.port, tls=at.tls(user)))
            for user in MAY
        }


@pytest.fixture
def at(tmp_path: Path) -> Iterator[Cabin]:
    with cabin(tmp_path) as made:
        yield made


@pytest.mark.parametrize("topic", EVERY)
@pytest.mark.parametrize("user", MAY)
def test_what_a_user_may_write(user: str, topic: str, mouths: dict[str, Mouth]) -> None:
    assert mouths[user].is_taken(topic) is (topic in MAY[user])


READ = {
    DEVICE: {*(t for t in OF_THE_DEVICE if not t.startswith("catalogue")), *COMMANDS},
    HUB: {*(t for t in OF_THE_DEVICE if not t.startswith("tocsin/")), REPLY},
    VIEWER: {t for t in OF_THE_DEVICE if not t.startswith("tocsin/")},
    STRANGER: set[str](),
}


@pytest.mark.parametrize("user", READ)
def test_what_a_user_may_read(user: str, mouths: dict[str, Mouth]) -> None:
    """mosquitto grants every subscription and holds back what may not be read."""
    for topic in MAY[DEVICE]:
        assert mouths[DEVICE].is_taken(topic)
    for topic in MAY[HUB]:
        assert mouths[HUB].is_taken(topic)
    ears = mouths[user].listen()
    ears.wait_for(lambda: set(ears.kept) >= READ[user])
    time.sleep(0.2)
    assert set(ears.kept) == READ[user]


def test_another_user_that_takes_the_client_id_throws_nobody_out(at: Cabin) -> None:
    with (
        broker.speaking(at.port, tls=at.tls(DEVICE), name=DEVICE) as victim,
        broker.speaking(at.port, tls=at.tls(VIEWER), name=DEVICE) as thief,
    ):
        assert not thief.is_taken(STATE)
        assert victim.is_taken(STATE)
        assert (victim.ended, thief.ended) == ([], [])


def test_a_user_struck_from_the_rules_may_do_nothing_from_sighup_on(at: Cabin) -> None:
    """As SECURITY.md says of a key that was stolen."""
    with broker.speaking(at.port, tls=at.tls(DEVICE)) as stolen:
        assert stolen.is_taken(STATE)
        text = at.acl.read_text().replace(f"user {DEVICE}\n", "user new-name\n")
        at.acl.write_text(text)
        at.running.send_signal(signal.SIGHUP)
        until_s = stopwatch_s() + broker.WITHIN_S
        while stolen.is_taken(STATE):
            assert stopwatch_s() < until_s


# --- the publisher under these rules -------------------------------------------------


def test_the_whole_publisher_works_under_the_shipped_rules(
    at: Cabin, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Values, announcements, clean-up, a command of the hub and its answer."""
    spec = load(SITE).broker
    assert spec is not None
    left_over = (f"{ROOT}/output-gone/energised", "tocsin/fern-ridge-hut/snapshot")
    with broker.speaking(at.port, tls=at.tls(DEVICE)) as before:
        assert all(before.is_taken(topic, b"old") for topic in left_over)

    async def main() -> None:
        how: dict[str, Any] = {"is_commanded": True, "announcement": spec.announcement}
        how["tls"] = at.files(DEVICE)
        with (
            quick_sweep(monkeypatch),
            broker.speaking(at.port, tls=at.tls(HUB)) as hub,
            broker.speaking(at.port, tls=at.tls(STRANGER)) as stranger,
        ):
            ears = hub.listen()
            async with publishing(at.port, tmp_path, **how) as on:
                await on.until(lambda: ears.kept.get(STATE) == b"ready")
                await on.until(lambda: ears.kept.get(left_over[0]) == b"")
                await on.until(lambda: any("catalogue" in each for each in ears.kept))
                topic = COMMANDS[1]
                payload = '{"id": "a", "at": "2026-01-16T18:00:00Z", "for_s": 60}'
                stranger.say(topic, payload)
                hub.say(topic, payload, reply_to=REPLY, correlation=b"1", wait=False)
                await on.until(lambda: on.asked)
                await on.until(lambda: REPLY in ears.kept)
                assert len(on.asked) == 1
                on.play(reading(2_000, 3_700, 3_300, 3_300, 3_300, pack="left"))
                await on.until(lambda: f"{LEFT}/$alert/high-cell" in ears.kept)
                assert set(on.troubles) <= {""}
            ours = [each for each in ears.messages if each.payload != b"old"]
            ears.messages = deque(ours)
            assert verdict(ears) == []
        with broker.speaking(at.port, tls=at.tls(DEVICE)) as after:
            kept = after.listen()
            kept.wait_for(lambda: STATE in kept.kept)
            assert not set(left_over) & set(kept.kept)

    asyncio.run(main())


def test_a_pack_that_left_the_site_file_is_cleared_away_if_it_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    old, spec = hut(packs=("left", "right", "cellar")), BrokerSpec(host="h")
    text = acl_file(spec, hut(), viewers=[VIEWER], former=["cellar"])
    gone = f"{ROOT}-cellar/$state"

    async def main() -> None:
        with (
            quick_sweep(monkeypatch),
            cabin(tmp_path, text) as own,
            broker.listening(own.port, tls=own.tls(VIEWER)) as ears,
        ):
            how = {"tls": own.files(DEVICE)}
            async with publishing(own.port, tmp_path, of=old, **how) as on:
                await on.until(lambda: ears.kept.get(gone))
            async with publishing(own.port, tmp_path / "new", **how) as on:
                await on.until(lambda: ears.kept.get(gone) == b"")
                assert set(on.troubles) <= {""}

    asyncio.run(main())


def test_rules_that_lack_a_topic_are_told_as_a_refusal(tmp_path: Path) -> None:
    text = (MQTT / "acl").read_text().replace(f"topic readwrite {LEFT}/+/+\n", "")

    async def main() -> str:
        with cabin(tmp_path, text) as own:
            tls = own.files(DEVICE)
            async with publishing(own.port, tmp_path, tls=tls) as on:
                await on.until(lambda: any(on.troubles))
                return next(filter(None, on.troubles))

    assert f"refuses our data, Not authorized: {LEFT}/" in asyncio.run(main())


def test_a_password_may_stand_for_the_certificate(tmp_path: Path) -> None:
    """The other way that SECURITY.md teaches."""
    passwords, secret = tmp_path / "passwords", tmp_path / "secret"
    passwords.touch(0o600)
    for user in (DEVICE, VIEWER):
        tool = ["mosquitto_passwd", "-b", str(passwords), user, "long and random"]
        subprocess.run(tool, check=True)
    secret.write_text("long and random\n")
    lines = "require_certificate true\nuse_identity_as_username true\n"
    with cabin(tmp_path, instead={lines: f"password_file {passwords}\n"}) as own:

        async def main() -> None:
            tls = replace(own.files(DEVICE), certificate=None, key=None)
            how = {"tls": tls, "username": DEVICE, "password_file": secret}
            who = {"username": VIEWER, "password": "long and random"}
            with broker.speaking(own.port, tls=load_tls(tls).context, **who) as viewer:
                ears = viewer.listen()
                async with publishing(own.port, tmp_path, **how) as on:
                    await on.until(lambda: ears.kept.get(STATE) == b"ready")

        asyncio.run(main())


def test_rules_that_let_the_daemon_read_nothing_are_found_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """mosquitto grants the subscription, so only reading back one's own tells."""
    text = (MQTT / "acl").read_text().replace("readwrite", "write")

    async def main() -> list[str]:
        with quick_sweep(monkeypatch), cabin(tmp_path, text) as own:
            tls = own.files(DEVICE)
            async with publishing(own.port, tmp_path, tls=tls) as on:
                await on.until(lambda: any(on.troubles))
            return on.troubles

    assert "shows us nothing of it" in " ".join(asyncio.run(main()))


# --- the command ---------------------------------------------------------------------


def test_the_shipped_rules_are_those_of_the_sample_site(
    capsys: pytest.CaptureFixture[str],
) -> None:
    words = ["mqtt", "acl", str(SITE), "--hub", HUB, "--viewer", VIEWER]
    assert main(words) == 0
    assert capsys.readouterr().out == (MQTT / "acl").read_text()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--hub", "a/b"], "no name of a user"),
        (["--hub", "viewer", "--viewer", "viewer"], "two users have one name"),
        (["--user", " "], "no name of a user"),
        (["--user", "x\ntopic write #"], "no name of a user"),
    ],
)
def test_a_name_that_cannot_be_is_told(
    words: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["mqtt", "acl", str(SITE), *words]) == 2
    assert said in capsys.readouterr().err


@pytest.mark.parametrize(
    ("topic", "filters"),
    [
        ("points/{id}", ["points/+"]),
        ("points/{datatype}/{id}/x", ["points/+/+/x"]),
        ("points/{value_topic}/{id}", ["points/#"]),
        ("points/{name}-{id}", ["points/#"]),
    ],
)
def test_announcements_may_be_written_where_the_template_has_them(
    topic: str, filters: list[str]
) -> None:
    spec = BrokerSpec(host="h", announcement=Announcement(topic=topic, body={}))
    written_to = [r.filter for r in acl(spec, hut()).device if r.access == "write"]
    assert written_to == filters


@pytest.mark.parametrize("topic", ["{name}/{id}", "homie/5/{unit}/command/{id}/set"])
def test_announcements_that_could_go_to_a_command_are_given_no_rule(topic: str) -> None:
    announcement = Announcement(topic=topic, body={})
    spec = BrokerSpec(host="h", is_commanded=True, announcement=announcement)
    with pytest.raises(AclError):
        acl(spec, hut())


@pytest.mark.parametrize("file", sorted((shipped.DEPLOY / "sites").glob("*.toml")))
def test_each_value_may_be_written_and_no_set_of_any_but_by_the_hub(file: Path) -> None:
    setup = load(file)
    spec = replace(setup.broker or BrokerSpec(host="h"), is_commanded=True)
    names = Names.of_site(setup.site, spec)
    seen = {pack.name: (pack.cells, 8) for pack in setup.site.bank.packs}
    made = acl(spec, setup.site)
    for device in devices(names, setup.site, seen, has_commands=True):
        for node in device.nodes:
            for each in node.properties:
                topic = names.topic(device.id, node.id, each.id)
                assert written_by(made.device, topic)
                assert written_by(made.device, f"{topic}/$target")
                assert not written_by(made.hub, topic)
                assert not written_by(made.device, f"{topic}/set")
                assert written_by(made.hub, f"{topic}/set") is each.is_settable
                assert not written_by(made.viewer, topic)


def written_by(rules: Iterable[Rule], topic: str) -> bool:
    return any("write" in r.access and covers(r.filter, topic) for r in rules)


def test_without_commands_nobody_may_give_any() -> None:
    made = acl(BrokerSpec(host="h"), hut())
    every = (*made.device, *made.hub, *made.viewer)
    assert not any("command" in r.filter or "reply" in r.filter for r in every)
    assert made.hub == made.viewer


@pytest.mark.parametrize(
    ("pattern", "topic", "matches"),
    [
        ("sport/tennis/player1/#", "sport/tennis/player1", True),
        ("sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon", True),
        ("sport/#", "sport", True),
        ("sport/tennis/+", "sport/tennis/player1", True),
        ("sport/tennis/+", "sport/tennis/player1/ranking", False),
        ("sport/+", "sport", False),
        ("sport/+", "sport/", True),
        ("+/+", "/finance", True),
        ("/+", "/finance", True),
        ("+", "/finance", False),
        ("#", "$SYS/monitor", False),
        ("+/monitor/Clients", "$SYS/monitor/Clients", False),
        ("$SYS/#", "$SYS/monitor/Clients", True),
        ("$SYS/monitor/+", "$SYS/monitor/Clients", True),
    ],
)
def test_filters_match_as_the_standard_says(
    pattern: str,
    topic: str,
    matches: bool,  # noqa: FBT001 a row of a table
) -> None:
    """The examples of MQTT 5.0 (OASIS, 2019), 4.7.1.2, 4.7.1.3 and 4.7.2."""
    assert covers(pattern, topic) is matches


# --- the script ----------------------------------------------------------------------


def test_a_second_call_renews_and_keeps_the_authority(tmp_path: Path) -> None:
    for _ in range(2):
        done = shipped.make(tmp_path, "user", "hut")
        assert done.returncode == 0
        assert "notAfter=" in done.stdout
    seen = [(tmp_path / name).read_bytes() for name in ("ca.crt", "hut.crt")]
    assert shipped.make(tmp_path, "user", "hut").returncode == 0
    again = [(tmp_path / name).read_bytes() for name in ("ca.crt", "hut.crt")]
    assert [a == b for a, b in zip(seen, again, strict=True)] == [True, False]
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        *("ca.crt", "ca.key", "hut.crt", "hut.key")
    ]
    assert {path.stat().st_mode & 0o077 for path in tmp_path.glob("*.key")} == {0}


@pytest.mark.parametrize(
    "words",
    [
        *(
            ["user"],
            ["users", "hut"],
            ["user", "a b"],
            ["user", "../x"],
            ["user", "ca"],
        ),
        *(["broker", "a,b"], ["broker", ""], ["user", "a/b"]),
    ],
)
def test_wrong_words_end_the_script_with_2_and_nothing_made(
    words: list[str], tmp_path: Path
) -> None:
    done = shipped.make(tmp_path / "pki", *words)
    assert done.returncode == 2
    assert "see --help" in done.stderr
    assert not (tmp_path / "pki").exists()
