"""Records of proof tests, as they lie beside a journal."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tocsin.prove.page import html
from tocsin.prove.records import Record, Result, Verdict, write

if TYPE_CHECKING:
    from pathlib import Path

DAY_MS = 86_400_000


def kept(folder: Path, day: int, verdict: Verdict) -> None:
    """Write the record of a test that ended on *day* since 1970."""
    result = Result(
        item="horn", kind="wire", pin_verdict=verdict, effect_verdict=verdict
    )
    record = Record(
        site="Fern Ridge hut",
        site_file="site.toml",
        site_sha256="0" * 64,
        software="tocsin",
        started_ms=day * DAY_MS,
        ended_ms=day * DAY_MS,
        next_due_ms=(day + 365) * DAY_MS,
        person="the warden",
        results=[result],
    )
    write(folder, record, html(record))
