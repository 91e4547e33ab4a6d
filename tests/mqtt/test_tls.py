"""The publisher on a real broker over TLS, with certificates good and bad."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

import pytest

import broker
from mqtt_stage import STATE, publishing
from pki import Authority, Pair
from tocsin.ports import Tls
from tocsin.tls import context_of

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = pytest.mark.broker


def over_tls(authority: Authority, pair: Pair) -> str:
    """Return a broker's settings: our certificate is asked for."""
    return (
        f"allow_anonymous false\ncafile {authority.ca}\ncertfile {pair.certificate}\n"
        f"keyfile {pair.key}\nrequire_certificate true\n"
        "use_identity_as_username true\n"
    )


def test_a_site_is_published_over_tls_with_a_certificate_of_its_own(
    tmp_path: Path,
) -> None:
    authority = Authority(tmp_path / "pki")
    ours = authority.issue("fern-ridge-hut")
    tls = Tls(ca=authority.ca, certificate=ours.certificate, key=ours.key)

    async def main() -> None:
        more = over_tls(authority, authority.issue("broker"))
        with (
            broker.running(tmp_path, more=more) as running,
            broker.listening(running.port, tls=context_of(tls)) as ears,
        ):
            async with publishing(running.port, tmp_path, tls=tls) as on:
                await on.until(lambda: ears.kept.get(STATE) == b"ready")
                assert set(on.troubles) <= {""}

    asyncio.run(main())
