"""A short run of `python -m tests.campaigns.fleet`, and that its judge can fail."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tests.campaigns import fleet, fleet_storm

import postgres
from fleet_stage import event
from tocsin.fleet import Batch
from tocsin.fleet.store import Store

if TYPE_CHECKING:
    import pytest


def test_collectors_that_are_killed_lose_and_double_nothing() -> None:
    run = fleet.Run(sites=5, seconds=6, every_s=0.6)
    fleet.play(run, postgres.QUICK)
    assert run.wrong == []
    assert run.total == run.stored > 40
    assert run.bare_events == run.total
    assert len(run.usage.collectors) == 4
    assert "nothing lost, nothing doubled" in fleet.told(run)


def test_what_is_missing_or_in_disorder_is_found(
    server: postgres.Server, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(fleet, "DRAIN_S", 0.1)
    name = "fleet"
    store = Store(server.dsn(name))
    store.prepare()
    store.write(Batch(events=[event(1, minute=1), event(2), event(4)]))
    store.close()
    server.run("CREATE TABLE bare_event (seq bigint)")
    run = fleet.Run(sites=1, seconds=1, every_s=1)
    run.events = {"hut": [("e", 1), ("e", 2), ("e", 3)]}
    fleet.compare(run, server)
    assert [text.split(",")[0] for text in run.wrong] == [
        "1 events lost",
        "1 events that no site wrote",
        "the counts say [(Decimal('3')",
    ]
    run.wrong.clear()
    run.events = {"hut": [("e", 2), ("e", 1), ("e", 4)]}
    fleet.compare(run, server)
    assert run.wrong[0] == "hut: events out of order"


def test_every_site_that_connects_at_once_is_taken_and_counted() -> None:
    seen = fleet_storm.play(sites=3, count=20)
    assert seen.taken == seen.wanted == 20
    assert seen.broker_s > 0
    assert "20 of 20 connections with TLS" in fleet_storm.told(seen)
