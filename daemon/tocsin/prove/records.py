"""Test records: kept beside the journal, one JSON and one HTML file each.

The fields are those that functional-safety guides and the inspection forms of NFPA 72
share: who, with what, why, what was found, measured and left, and when it is due again.
A record is written once and never again.
"""

from __future__ import annotations

import json
import os
from contextlib import suppress
from dataclasses import asdict, dataclass, field, fields
from enum import StrEnum
from typing import TYPE_CHECKING, Any, TypeVar

from tocsin import files
from tocsin.clock import iso_time

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

FOLDER = "records"
VERSION = 1
YEAR_10000_MS = 253_402_300_800_000
"""No date is so late."""

T = TypeVar("T")


class RecordError(Exception):
    """A record cannot be read or written; its text says which and why."""


class Verdict(StrEnum):
    """What came of a test. The worse of two counts, in this order."""

    FAIL = "fail"
    UNTESTED = "untested"
    PASS = "pass"  # noqa: S105 the opposite of fail


def worst(*verdicts: Verdict) -> Verdict:
    """Return the worst of *verdicts*."""
    return min(verdicts, key=list(Verdict).index)


@dataclass(slots=True, kw_only=True)
class Result:
    """One line of a record.

    Attributes:
        item: Identity within the plan.
        kind: "rule", "wire", "source" or "process".
        subject: Pack, string or part.
        pin_verdict, effect_verdict: Of the pin, and of what it should bring about.
        virtual, live: In *unit*.
        measured_ms: From the virtual crossing to the pin.
        expected_ms: By the rule's delays.
        measured: Anything else that was measured, in words.
        seen: What a person saw or heard, or what stood for it.
        retest: What came of trying again after a correction; empty if nobody did.
        retest_verdict: Its verdict, which then stands for the line.
    """

    item: str
    kind: str
    output: str = ""
    role: str = ""
    pin: str = ""
    rule: str = ""
    subject: str = ""
    expected: str = ""
    method: str = ""
    as_found: str = ""
    virtual: float | None = None
    live: float | None = None
    unit: str = ""
    measured_ms: int | None = None
    expected_ms: int | None = None
    measured: str = ""
    seen: str = ""
    pin_verdict: Verdict = Verdict.UNTESTED
    effect_verdict: Verdict = Verdict.UNTESTED
    why: str = ""
    deficiency: str = ""
    consequence: str = ""
    correction: str = ""
    retest: str = ""
    retest_verdict: Verdict | None = None
    as_left: str = ""
    at: str = ""

    @property
    def verdict(self) -> Verdict:
        """Return the worse of both, or what came of trying again."""
        return self.retest_verdict or self.found

    @property
    def found(self) -> Verdict:
        """Return what was found, before anything was corrected."""
        return worst(self.pin_verdict, self.effect_verdict)


@dataclass(slots=True, kw_only=True)
class Record:
    """A whole test record.

    Attributes:
        is_rehearsal: Pins were simulated: it proves nothing of a real site.
        is_whole: Every output, rule, source and the process were in the plan.
        interval_days: Between two proof tests.
        overrides: Alarms that were shelved or out of service at the start.
    """

    site: str
    site_file: str
    site_sha256: str
    software: str
    started_ms: int
    ended_ms: int = 0
    next_due_ms: int = 0
    interval_days: float = 365.0
    reason: str = ""
    person: str = ""
    qualification: str = ""
    witness: str = ""
    equipment: str = ""
    overrides: str = ""
    as_left: str = ""
    remarks: str = ""
    is_rehearsal: bool = False
    is_unattended: bool = False
    is_whole: bool = False
    results: list[Result] = field(default_factory=list)

    @property
    def verdict(self) -> Verdict:
        """Return "pass" only if everything in the plan passed."""
        if not self.results:
            return Verdict.UNTESTED
        return worst(*(result.verdict for result in self.results))

    def count(self, verdict: Verdict) -> int:
        """Return how many results came to *verdict*."""
        return sum(result.verdict is verdict for result in self.results)


def as_json(record: Record) -> dict[str, Any]:
    """Return *record* as a JSON object, times of day beside their milliseconds."""
    whole = asdict(record)
    results = [
        {**told, "verdict": result.verdict}
        for told, result in zip(whole.pop("results"), record.results, strict=True)
    ]
    return {
        "version": VERSION,
        **whole,
        "started": iso_time(record.started_ms),
        "ended": iso_time(record.ended_ms),
        "next_due": iso_time(record.next_due_ms),
        "verdict": record.verdict,
        "results": results,
    }


def from_json(told: Mapping[str, Any]) -> Record:
    """Return the record that `as_json` told.

    Raises:
        RecordError: it is none, or of another version.
    """
    try:
        if told["version"] != VERSION:
            version = f"{told['version']!r:.40}"
            raise RecordError(f"it is of version {version}, not {VERSION}")
        results = [_made(Result, each) for each in told["results"]]
        for result in results:
            result.pin_verdict = Verdict(result.pin_verdict)
            result.effect_verdict = Verdict(result.effect_verdict)
            if result.retest_verdict is not None:
                result.retest_verdict = Verdict(result.retest_verdict)
        record = _made(Record, {**told, "results": results})
        numbers = (record.started_ms, record.ended_ms, record.next_due_ms)
        if not all(isinstance(number, int) for number in numbers):
            raise RecordError("its dates are no numbers")
        if not all(0 <= number < YEAR_10000_MS for number in numbers):
            raise RecordError("its dates are no dates")
    except (KeyError, TypeError, ValueError, AttributeError) as exc:
        raise RecordError("it is damaged") from exc
    return record


def _made(kind: type[T], told: Mapping[str, Any]) -> T:
    known = {each.name for each in fields(kind)}  # type: ignore[arg-type]
    return kind(**{key: value for key, value in told.items() if key in known})


def listed(folder: Path) -> list[tuple[Path, Record | str]]:
    """Return every record beside the journal in *folder*, oldest first.

    One that cannot be read is there with the reason.

    Raises:
        RecordError: the folder cannot be read.
    """
    try:
        paths = sorted((folder / FOLDER).glob("proof-*.json"), key=_age)
    except OSError as exc:
        raise RecordError(f"{folder / FOLDER} cannot be read: {exc.strerror}") from exc
    return [(path, _read(path)) for path in paths]


def _age(path: Path) -> tuple[str, int, str]:
    """Return the second in a record's name, then its number within that second."""
    return path.stem[: len("proof-YYYYMMDD-HHMMSS")], len(path.stem), path.stem


def _read(path: Path) -> Record | str:
    try:
        return from_json(files.parsed(path.read_text("utf-8")))
    except RecordError as exc:
        return str(exc)
    except ValueError:
        return "it is damaged"
    except OSError as exc:
        return f"it cannot be read: {exc.strerror}"


def named(folder: Path, name: str) -> Record:
    """Return the record that `listed` gives with a path of that stem.

    Raises:
        RecordError: there is none, or it cannot be read.
    """
    for path, record in listed(folder):
        if path.stem == name:
            if isinstance(record, str):
                raise RecordError(f"{name}: {record}")
            return record
    raise RecordError("there is no such record")


def newest(folder: Path, *, is_rehearsal: bool = False) -> Record | None:
    """Return the newest record that can be read; rehearsals count only among theirs.

    Raises:
        RecordError: the folder cannot be read.
    """
    sound = [record for _, record in listed(folder) if isinstance(record, Record)]
    fit = [record for record in sound if is_rehearsal or not record.is_rehearsal]
    return max(fit, key=lambda record: record.ended_ms, default=None)


def write(folder: Path, record: Record, html: str) -> tuple[Path, Path]:
    """Write the record's JSON and HTML, and return where; nothing is overwritten.

    Raises:
        RecordError: the disk does not take it.
    """
    home = folder / FOLDER
    name = "".join(c for c in iso_time(record.ended_ms)[:19] if c.isdigit())
    stem = f"proof-{name[:8]}-{name[8:]}"
    try:
        home.mkdir(parents=True, exist_ok=True)
        number = 1
        while (home / f"{stem}.json").exists() or (home / f"{stem}.html").exists():
            number += 1
            stem = f"proof-{name[:8]}-{name[8:]}-{number}"
        page = _write_once(home / f"{stem}.html", html)
        text = json.dumps(as_json(record), indent=1, ensure_ascii=False)
        return _write_once(home / f"{stem}.json", text + "\n"), page
    except OSError as exc:
        raise RecordError(f"{home} does not take the record: {exc.strerror}") from exc


def _write_once(path: Path, text: str) -> Path:
    """Write a whole file or none, and never over another."""
    begun = path.with_name(f".{path.name}.new")
    try:
        store(begun, text)
        os.link(begun, path)
    finally:
        with suppress(OSError):
            begun.unlink()
    return path


def store(path: Path, text: str) -> None:
    """Write *text* to *path* and onto the disk.

    Raises:
        OSError: the disk does not take it.
    """
    with path.open("w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
