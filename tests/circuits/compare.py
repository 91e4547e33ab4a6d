"""One site file, judged by the program and by the formulas."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tests.circuits.oracle import applies, rail_unsafe, unsafe
from tests.circuits.sites import as_toml, random_site

from tocsin.core.circuit import Verdict
from tocsin_config import SiteFileError, doubts, judged, load

if TYPE_CHECKING:
    from collections import Counter
    from pathlib import Path


def compared(seed: int, folder: Path, verdicts: Counter[tuple[str, str]]) -> list[str]:
    """Return what is called fine and is not; count every verdict in *verdicts*."""
    site = random_site(seed)
    path = folder / "site.toml"
    path.write_text(as_toml(site), "utf-8")
    try:
        setup = load(path)
    except SiteFileError as exc:
        return [f"{seed}: {problem}" for problem in exc.problems]
    doubts(setup)
    every, rail = judged(setup)
    wrong: list[str] = []
    for output, each in zip(site["output"], every, strict=True):
        if "circuit" not in output:
            continue
        checks = {finding.check.value for finding in each.findings}
        if checks != applies(site, output):
            wrong.append(f"{seed} {each.output}: checked {checks}")
        for finding in each.findings:
            verdicts[finding.check, finding.verdict] += 1
            why = unsafe(site, output, finding.check)
            if finding.verdict is Verdict.FINE and why:
                wrong.append(f"{seed} {each.output}: {finding}: {why}")
    if rail is not None:
        verdicts[rail.check, rail.verdict] += 1
        if rail.verdict is Verdict.FINE and (why := rail_unsafe(site)):
            wrong.append(f"{seed}: {rail}: {why}")
    return wrong
