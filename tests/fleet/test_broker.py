"""Who may do what at the shipped broker of a fleet, and a site's way through it."""

from __future__ import annotations

import asyncio
import time
from contextlib import ExitStack
from typing import TYPE_CHECKING

import pytest

import broker
from cabin import DEPLOY, Cabin, cabin
from fleet_stage import member
from mqtt_stage import publishing

if TYPE_CHECKING:
    from collections.abc import Iterator

    import postgres
    from broker import Mouth

FLEET = DEPLOY / "fleet"
HUT, OTHER, ONE, OFFICE = "fern-ridge-hut", "other-hut", "collector-one", "office"
USERS = (HUT, OTHER, ONE, OFFICE)


def tree(site: str) -> tuple[str, ...]:
    """Return what collectors read of a site."""
    leaves = ("$state", "events/event", "fleet/summary")
    return tuple(f"{site}/5/{site}/{leaf}" for leaf in leaves)


def described(site: str) -> str:
    return f"{site}/5/{site}/$description"


def asked(site: str) -> str:
    return f"{site}/5/{site}/history/request/set"


def page(site: str) -> str:
    return f"reply/{site}/history/office"


MAY_WRITE = {
    HUT: {*tree(HUT), described(HUT), page(HUT)},
    OTHER: {*tree(OTHER), described(OTHER), page(OTHER)},
    ONE: set[str](),
    OFFICE: {asked(HUT), asked(OTHER)},
}
NOBODY_WRITES = (
    *(f"{HUT}/5/{HUT}/command/silence/set", f"{HUT}/5/{HUT}/fleet/other"),
    *(f"{HUT}/5/{OTHER}/$state", f"{OTHER}/5/{HUT}/$state", f"{HUT}/5/{HUT}/a/b/c"),
    *(f"reply/{HUT}/other", "homie/5/fern-ridge-hut/$state", "elsewhere"),
)
EVERY = sorted(set().union(*MAY_WRITE.values()) | set(NOBODY_WRITES))
MAY_READ = {
    HUT: {asked(HUT)},
    OTHER: {asked(OTHER)},
    ONE: {*tree(HUT), *tree(OTHER)},
    OFFICE: {*tree(HUT), *tree(OTHER), described(HUT), described(OTHER), page(HUT)}
    | {page(OTHER)},
}


@pytest.fixture(scope="module")
def at(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cabin]:
    with cabin(tmp_path_factory.mktemp("fleet"), of=FLEET, users=USERS) as made:
        yield made


@pytest.fixture(scope="module")
def mouths(at: Cabin) -> Iterator[dict[str, Mouth]]:
    with ExitStack() as stack:
        yield {
            user: stack.enter_context(broker.speaking(at.port, tls=at.tls(user)))
            for user in USERS
        }


@pytest.mark.parametrize("topic", EVERY)
@pytest.mark.parametrize("user", USERS)
def test_what_a_user_may_write(user: str, topic: str, mouths: dict[str, Mouth]) -> None:
    assert mouths[user].is_taken(topic) is (topic in MAY_WRITE[user])


@pytest.mark.parametrize("user", USERS)
def test_what_a_user_may_read(user: str, mouths: dict[str, Mouth]) -> None:
    for writer, topics in MAY_WRITE.items():
        for topic in topics:
            assert mouths[writer].is_taken(topic)
    ears = mouths[user].listen()
    ears.wait_for(lambda: set(ears.kept) >= MAY_READ[user])
    time.sleep(0.2)
    assert set(ears.kept) == MAY_READ[user]


def test_a_site_reaches_the_database_through_the_shipped_broker(
    at: Cabin,
    server: postgres.Server,
    database: str,
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    """Certificates, rules of exact depth, a shared subscription: all as shipped."""
    words = ("--ca", "ca.crt"), ("--certificate", f"{ONE}.crt"), ("--key", f"{ONE}.key")
    more = tuple(word for flag, name in words for word in (flag, str(at.pki / name)))

    async def main() -> None:
        folder = tmp_path_factory.mktemp("site")
        async with publishing(at.port, folder, fleet={}, tls=at.files(HUT)) as on:
            await on.until(lambda: stored() == len(on.journal.rows) > 0)

    def stored() -> int:
        counted = "SELECT count(*) FROM fleet.event"
        ((count,),) = server.run(counted, database=database)
        return int(count)

    with member(at.port, server.dsn(database), name=ONE, more=more):
        asyncio.run(main())
