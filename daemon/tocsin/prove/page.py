"""A record as one HTML page of its own: for a screen, and to print on A4 and sign."""

from __future__ import annotations

from html import escape
from importlib.resources import files
from typing import TYPE_CHECKING

from tocsin.clock import iso_time
from tocsin.prove.records import Record, Result, Verdict, worst

if TYPE_CHECKING:
    from collections.abc import Iterable

TITLES = {
    "rule": "Outputs, each by every rule that drives it",
    "wire": "Output wires pulled",
    "source": "Data cables pulled",
    "process": "Process killed",
}
MARKS = {Verdict.PASS: "PASS", Verdict.FAIL: "FAIL", Verdict.UNTESTED: "NOT TESTED"}
WHOLE = {**MARKS, Verdict.UNTESTED: "INCOMPLETE"}
WIDE = ("SHA", "Test", "Over", "Site")
SIGNERS = ("Tested by", "Witnessed by", "Accepted by the owner")


def html(record: Record) -> str:
    """Return the whole page."""
    style = files("tocsin.prove").joinpath("record.css").read_text("utf-8")
    parts = (
        _head(record),
        _facts(record),
        _verdict(record),
        _by_output(record),
        *(_table(kind, record) for kind in TITLES),
        _deficiencies(record),
        _left(record),
        _signatures(),
        _foot(),
    )
    title = escape(f"Test record, {record.site}, {_day(record.ended_ms)}")
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{title}</title>\n<style>\n{style}</style>\n</head>\n<body>\n"
        + "\n".join(filter(None, parts))
        + "\n</body>\n</html>\n"
    )


def _day(at_ms: int) -> str:
    return iso_time(at_ms)[:10]


def _minute(at_ms: int) -> str:
    return iso_time(at_ms)[:16].replace("T", " ") + " UTC"


def _head(record: Record) -> str:
    rehearsal = ""
    if record.is_rehearsal:
        rehearsal = (
            '<p class="warn">REHEARSAL: pins were simulated. '
            "This record proves nothing about a real site.</p>"
        )
    return (
        f"<header><h1>Proof test record</h1><p class=site>{escape(record.site)}</p>"
        f"</header>{rehearsal}"
    )


def _facts(record: Record) -> str:
    rows = (
        ("Begun", _minute(record.started_ms)),
        ("Ended", _minute(record.ended_ms)),
        ("Reason", record.reason),
        ("Scope", "whole site" if record.is_whole else "a part of the site only"),
        ("Interval", f"{record.interval_days:g} days"),
        ("Software", record.software),
        ("Person", record.person),
        ("Qualification", record.qualification),
        ("Witness", record.witness),
        ("Test equipment, serial number, calibration due", record.equipment),
        ("Overrides found in force", record.overrides),
        ("Site file", record.site_file),
        ("SHA-256 of the site file", record.site_sha256),
    )
    cells = "".join(
        f"<div{' class=wide' if name.startswith(WIDE) else ''}>"
        f"<dt>{escape(name)}</dt><dd>{escape(value or 'not stated')}</dd></div>"
        for name, value in rows
    )
    return f"<dl class=facts>{cells}</dl>"


def _verdict(record: Record) -> str:
    counts = ", ".join(
        f"{record.count(verdict)} {MARKS[verdict].lower()}"
        for verdict in reversed(Verdict)
    )
    is_part = record.verdict is Verdict.PASS and not record.is_whole
    whole = "PASS, IN PART" if is_part else WHOLE[record.verdict]
    return (
        f'<section class="verdict {record.verdict}"><p class=big>'
        f"{whole}</p><p>{counts}, of {len(record.results)} tests.<br>"
        "Next proof test due: "
        f"<strong>{_day(record.next_due_ms)}</strong></p></section>"
    )


def _by_output(record: Record) -> str:
    """Return a line an output: what a reader in a hurry wants."""
    names = dict.fromkeys(r.output for r in record.results if r.output)
    if not names:
        return ""
    rows = []
    for name in names:
        of = [result for result in record.results if result.output == name]
        took = [r.measured_ms for r in of if r.measured_ms is not None]
        slowest = f"{max(took) / 1000:.1f} s" if took else "-"
        verdict = worst(*(result.verdict for result in of))
        rows.append(
            f"<tr><td>{escape(name)}<td>{escape(of[0].role)}"
            f"<td>{escape(of[0].pin or '-')}"
            f"<td class=num>{len(of)}<td class=num>{slowest}<td>{_mark(verdict)}"
        )
    head = (
        "<th>Output<th>Role<th>Pin<th class=num>Tests<th class=num>Slowest pin"
        "<th>Result"
    )
    return _wrapped("Summary of outputs", head, rows)


def _mark(verdict: Verdict, words: str = "") -> str:
    return f'<span class="mark {verdict}">{words or MARKS[verdict]}</span>'


def _result(result: Result) -> str:
    """Return the mark of a line, and why it is not a pass."""
    is_half = result.verdict is Verdict.UNTESTED and result.pin_verdict is Verdict.PASS
    words = "PIN ONLY" if is_half and result.kind == "rule" else ""
    return _mark(result.verdict, words) + _why(result)


def _wrapped(title: str, head: str, rows: Iterable[str]) -> str:
    return (
        f"<section><h2>{escape(title)}</h2><table><thead><tr>{head}</thead><tbody>"
        + "\n".join(rows)
        + "</tbody></table></section>"
    )


def _table(kind: str, record: Record) -> str:
    results = [result for result in record.results if result.kind == kind]
    if not results:
        return ""
    if kind == "rule":
        head = (
            '<th style="width:17%">Output, rule<th style="width:13%">Put in'
            '<th style="width:12%">As found<th style="width:14%">Expected'
            '<th class=num style="width:8%">Pin<th>Effect<th style="width:16%">Result'
        )
        return _wrapped(TITLES[kind], head, map(_rule_row, results))
    head = "<th>What<th>As found<th>Expected<th>Measured, seen<th>As left<th>Result"
    return _wrapped(TITLES[kind], head, map(_hand_row, results))


def _rule_row(result: Result) -> str:
    put = "-"
    if result.virtual is not None:
        live = "nothing" if result.live is None else f"{result.live:g}"
        put = f"{result.virtual:g} {result.unit}<br><small>live {live}, "
        put += f"{escape(result.subject)}</small>"
    pin = "-" if result.measured_ms is None else f"{result.measured_ms / 1000:.2f} s"
    effect = "; ".join(filter(None, (result.seen, result.measured))) or "-"
    return (
        f"<tr><td><strong>{escape(result.output)}</strong><br>"
        f"<small>{escape(result.rule)}</small><td>{put}"
        f"<td><small>{escape(result.as_found or '-')}</small>"
        f"<td><small>{escape(_expected(result))}</small>"
        f"<td class=num>{pin}<td><small>{escape(effect)}</small>"
        f"<td>{_result(result)}"
    )


def _expected(result: Result) -> str:
    if result.expected_ms is None:
        return result.expected or "-"
    return f"{result.expected} after {result.expected_ms / 1000:g} s"


def _hand_row(result: Result) -> str:
    seen = "; ".join(filter(None, (result.measured, result.seen))) or "-"
    return (
        f"<tr><td><strong>{escape(result.item)}</strong><td><small>"
        f"{escape(result.as_found or '-')}</small><td><small>{escape(result.expected)}"
        f"</small><td><small>{escape(seen)}</small><td><small>"
        f"{escape(result.as_left or '-')}</small>"
        f"<td>{_result(result)}"
    )


def _why(result: Result) -> str:
    if result.retest_verdict is not None:
        return "<br><small>found: fail; retested</small>"
    is_told = result.why and result.verdict is not Verdict.PASS
    return f"<br><small>{escape(result.why)}</small>" if is_told else ""


def _deficiencies(record: Record) -> str:
    failed = [result for result in record.results if result.found is Verdict.FAIL]
    if not failed:
        return "<section><h2>Deficiencies</h2><p>None found.</p></section>"
    head = "<th>Test<th>Deficiency<th>Consequence<th>Correction<th>Retest"
    rows = (
        f"<tr><td><strong>{escape(r.item)}</strong><td>{escape(r.deficiency)}"
        f"<td>{escape(r.consequence)}<td>{escape(r.correction or 'none yet')}"
        f"<td>{escape(r.retest or 'not retested')}"
        for r in failed
    )
    return _wrapped("Deficiencies", head, rows)


def _left(record: Record) -> str:
    items = "".join(f"<li>{escape(each)}" for each in record.as_left.split("; "))
    remarks = escape(record.remarks or "none")
    return (
        f"<section class=left><h2>As left</h2><ul>{items}</ul>"
        f"<p>Remarks: {remarks}</p></section>"
    )


def _signatures() -> str:
    boxes = "".join(
        f"<div><p>{escape(signer)}</p><p class=line>Name, date</p>"
        "<p class=line>Signature</p></div>"
        for signer in SIGNERS
    )
    return f"<section class=sign><h2>Signatures</h2><div>{boxes}</div></section>"


def _foot() -> str:
    return (
        "<footer><p>The virtual reading enters where a rule compares its measure with "
        "its limit. Times run from there to the moment the pin had been written. What "
        "lies before (sensor, wire, driver) is shown by the live value and by the data "
        "cable pulled. A permit is energised while something is allowed and drops to "
        "act; a call is energised to act. No safety integrity level is claimed. Tocsin "
        "stands above the battery's own protection, and this test does not test that. "
        "Keep this record for the life of the system.</p></footer>"
    )
