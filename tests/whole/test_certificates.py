"""The whole daemon and the dates of its certificates: alarm, renewal, journal."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

import pytest

import broker
from pki import Authority
from tocsin.clock import SteppedClock, wall_ms
from tocsin.core.events import AlarmFact, NoteFact
from tocsin.journal import read
from tocsin.mqtt import keeper
from whole_stage import daemon, served

if TYPE_CHECKING:
    from pathlib import Path

RETURNED = "returned unacknowledged"
TABLE = """\
[mqtt]
host = "localhost"
port = {port}
[mqtt.tls]
ca = "pki/ca.crt"
certificate = "pki/hut.crt"
key = "pki/hut.key"
"""


@pytest.mark.broker
def test_a_certificate_that_ends_is_an_alarm_until_new_files_are_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(keeper, "LOOK_S", 0.1)
    authority = Authority(tmp_path / "pki")
    of_broker = authority.issue("broker")
    authority.issue("hut", days=(-1, 5.5))
    more = (
        f"cafile {authority.ca}\ncertfile {of_broker.certificate}\n"
        f"keyfile {of_broker.key}\nrequire_certificate true\n"
        "use_identity_as_username true"
    )

    async def main() -> list[str]:
        async with served(tmp_path) as whole:
            whole.clock = SteppedClock(speed=1, start_wall_ms=wall_ms())
            with broker.running(tmp_path, more=more) as running:
                table = TABLE.format(port=running.port)
                async with daemon(whole, table) as serving:
                    facts = whole.watcher.facts

                    async def until(alarm: str, state: str) -> AlarmFact:
                        for _ in range(200):
                            for fact in facts:
                                if isinstance(fact, AlarmFact) and (
                                    (fact.alarm, fact.state) == (alarm, state)
                                ):
                                    return fact
                            assert not serving.done()
                            await asyncio.sleep(0.1)
                        pytest.fail(f"no {alarm} {state} in {facts}")

                    told = await until("certificate-ends-now", "unacknowledged")
                    assert "hut.crt ends on" in told.message
                    assert "in 5 days" in told.message
                    assert told.subject == "certificates"
                    authority.issue("hut")
                    await until("certificate-ends-now", RETURNED)
                    assert not any(
                        isinstance(f, AlarmFact) and f.alarm == "daemon-trouble"
                        for f in facts
                    )
        notes = [f.text for f in facts if isinstance(f, NoteFact)]
        return [*notes, *(row.detail for row in read(whole.setup.journal_folder))]

    told = asyncio.run(main())
    assert sum("new files are in use" in each for each in told) == 2
