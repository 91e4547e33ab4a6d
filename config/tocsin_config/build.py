"""From tables to a setup: rules resolved, names found, numbers in integers."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from typing import TYPE_CHECKING

from tocsin.core.model import Bank, Pack
from tocsin.core.rules import Rule, Unit
from tocsin.core.site import Site, Timing
from tocsin.ports import HistorySpec, PageSpec, PinSpec, SourceSpec
from tocsin_config.broker import build_broker, build_fleet
from tocsin_config.calls import hours
from tocsin_config.circuits import build_wiring, tell_misfits
from tocsin_config.document import read
from tocsin_config.extras import build_extras
from tocsin_config.findings import Findings
from tocsin_config.inputs import build_inputs
from tocsin_config.models import SiteFile
from tocsin_config.outputs import build_outputs
from tocsin_config.packs import Packs
from tocsin_config.presets import Preset, preset
from tocsin_config.problems import Key, SiteFileError, suggestion
from tocsin_config.rules import Resolver, Scale, merged
from tocsin_config.setup import Origin, Setup
from tocsin_config.validate import validate

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from tocsin.fleet_port import FleetSpec
    from tocsin.ports import BrokerSpec, InputSpec, PinSpec, SourceSpec
    from tocsin_config.document import Document
    from tocsin_config.rule_models import RuleTable

LIMITS = [("bank", "chemistry"), ("protection",), ("timing",)]
POLLS_BEFORE_STALE = 2
HOUR_MS = 3_600_000


def load(path: Path) -> Setup:
    """Return the setup that the site file at *path* describes.

    Raises:
        SiteFileError: anything is wrong with it or with a file that it includes.
    """
    raw, document, problems = read(path)
    if not raw and problems:
        raise SiteFileError(tuple(problems))
    valid = validate(SiteFile, document.data, document)
    problems += valid.problems
    findings = Findings(document=document, broken=valid.broken)
    setup = None
    if valid.model is not None and not document.mangled:
        setup = _build(valid.model, raw, findings)
        problems += findings.problems
    if problems or setup is None:
        raise SiteFileError(tuple(sorted(set(problems))))
    return setup


def _build(file: SiteFile, raw: bytes, findings: Findings) -> Setup | None:
    document, broken = findings.document, findings.broken
    chosen = preset(file.bank.chemistry)
    scale = _scale(file, chosen)
    _between(file, scale, findings)
    rules = _rules(file, chosen, scale, findings)
    every = {t.name for t in (*chosen.rule, *file.rule)}
    cold_cut_c = Unit.DC.shown(scale.cold_charge_dc)
    outputs, pins = build_outputs(file, every, findings, cold_cut_c=cold_cut_c)
    inputs, input_pins = build_inputs(file, findings)
    tell_misfits(file, findings)
    packs = Packs(
        findings=findings,
        folder=document.file.parent,
        cells=scale.cells,
        is_bank_known=not any(key[:1] == ("bank",) for key in broken),
    )
    sources, beside = packs.sources(file.pack, file.source)
    extras = build_extras(file, findings)
    broker, *template = build_broker(file, findings)
    fleet = build_fleet(file, findings)
    if broken or findings.problems:
        return None
    site = Site(
        name=file.site.name or document.file.stem,
        bank=_bank(file, scale),
        rules=rules,
        outputs=outputs,
        inputs=inputs,
        timing=_timing(file),
        chemistry=chosen.chemistry,
        low_cut_mv=scale.low_cut_mv,
        high_cut_mv=scale.high_cut_mv,
        cold_charge_dc=scale.cold_charge_dc,
        lead_ms=scale.lead_ms,
        charger_mv=None
        if file.charging.absorption_v is None
        else Unit.MV.inside(file.charging.absorption_v),
        extras=extras,
    )
    return _setup(
        file,
        document,
        site=site,
        sources=sources,
        extras=beside,
        pins=pins,
        input_pins=input_pins,
        broker=broker,
        fleet=fleet,
        read_bytes=(raw, *packs.included.values(), *template),
    )


def _setup(
    file: SiteFile,
    document: Document,
    *,
    site: Site,
    sources: tuple[SourceSpec, ...],
    extras: tuple[SourceSpec, ...],
    pins: tuple[PinSpec, ...],
    input_pins: tuple[InputSpec, ...],
    broker: BrokerSpec | None,
    fleet: FleetSpec | None,
    read_bytes: tuple[bytes, ...],
) -> Setup:
    return Setup(
        path=document.file,
        sha256=hashlib.sha256(b"".join(read_bytes)).hexdigest(),
        site=site,
        sources=sources,
        extras=extras,
        pins=pins,
        wiring=tuple(build_wiring(file, site, i) for i in range(len(file.output))),
        input_pins=input_pins,
        pins_driver=file.gpio.pins,
        journal_folder=document.file.parent / file.journal.folder,
        history=_history(file),
        broker=broker,
        fleet=fleet,
        page=_page(file, document),
        poll_ms=Unit.SECONDS.inside(file.timing.poll_s),
        lead_min=file.forecast.lead_min,
        absorption_v=file.charging.absorption_v,
        origin=Origin(document=document, tables=file),
    )


def _scale(file: SiteFile, chosen: Preset) -> Scale:
    own, usual = file.protection, chosen.protector
    low_v = usual.low_cell_v if own.low_cell_v is None else own.low_cell_v
    high_v = usual.high_cell_v if own.high_cell_v is None else own.high_cell_v
    cold_c = usual.cold_charge_c if own.cold_charge_c is None else own.cold_charge_c
    return Scale(
        capacity_mah=round(file.bank.capacity_ah * 1_000),
        cells=file.bank.cells_in_series,
        low_cut_mv=Unit.MV.inside(low_v),
        high_cut_mv=Unit.MV.inside(high_v),
        cold_charge_dc=Unit.DC.inside(cold_c),
        stale_ms=Unit.SECONDS.inside(file.timing.stale_s),
        lead_ms=Unit.MINUTES.inside(file.forecast.lead_min),
    )


def _bank(file: SiteFile, scale: Scale) -> Bank:
    packs = tuple(
        Pack(name=t.name, cells=scale.cells, string=t.string or t.name)
        for t in file.pack
    )
    return Bank(packs=packs, capacity_mah=scale.capacity_mah)


def _timing(file: SiteFile) -> Timing:
    own, ms = file.timing, Unit.SECONDS.inside
    return Timing(
        stale_ms=ms(own.stale_s),
        good_scans=own.good_scans,
        shed_settle_ms=ms(own.shed_settle_s),
        shed_confirm_ms=ms(own.shed_confirm_s),
        restore_gap_ms=ms(own.restore_gap_s),
        restore_permille=Unit.PERMILLE.inside(own.restore_pct),
        horn_cap_ms=ms(own.horn_cap_s_per_hour),
        quiet=hours(own.quiet_hours),
    )


def _history(file: SiteFile) -> HistorySpec | None:
    own = file.history
    if not own.enabled:
        return None
    return HistorySpec(
        raw_ms=round(own.raw_h * HOUR_MS),
        minute_ms=round(own.minute_days * 24 * HOUR_MS),
        quarter_ms=round(own.quarter_days * 24 * HOUR_MS),
        batch_ms=Unit.SECONDS.inside(own.batch_s),
        max_mb=own.max_mb,
        reserve_mb=own.reserve_mb,
    )


def _page(file: SiteFile, document: Document) -> PageSpec | None:
    own = file.page
    if not own.enabled:
        return None
    folder = document.file.parent
    return PageSpec(
        host=own.host,
        port=own.port,
        names=own.names,
        token_file=folder / own.token_file if own.token_file else None,
        certificate=folder / own.certificate if own.certificate else None,
        key=folder / own.key if own.key else None,
    )


def _between(file: SiteFile, scale: Scale, findings: Findings) -> None:
    """Tell what is wrong between keys of the simple tables."""
    if scale.low_cut_mv >= scale.high_cut_mv:
        given = file.protection.low_cell_v is not None
        path = ("protection", "low_cell_v" if given else "high_cell_v")
        wrong = (
            f"low cut-off {Unit.MV.text(scale.low_cut_mv)}, "
            f"high cut-off {Unit.MV.text(scale.high_cut_mv)}"
        )
        right = "low_cell_v below high_cell_v, and the right chemistry"
        findings.tell(
            path, wrong, right, needs=[("bank", "chemistry"), ("protection",)]
        )
    timing = file.timing
    if timing.stale_s < POLLS_BEFORE_STALE * timing.poll_s:
        path = (
            "timing",
            "stale_s" if "stale_s" in timing.model_fields_set else "poll_s",
        )
        wrong = f"stale after {timing.stale_s:g} s, read every {timing.poll_s:g} s"
        findings.tell(
            path, wrong, "a stale_s of at least twice poll_s", needs=[("timing",)]
        )
    if timing.quiet_hours is not None and hours(timing.quiet_hours) is None:
        path, right = ("timing", "quiet_hours"), "two times that differ"
        findings.tell(path, "ends when it begins", right)


def _rules(
    file: SiteFile, chosen: Preset, scale: Scale, findings: Findings
) -> tuple[Rule, ...]:
    named = [(("rule", i, "name"), t.name) for i, t in enumerate(file.rule)]
    findings.twice(named, "the rule is there already", "one [[rule]] table a rule")
    presets = {table.name: table for table in chosen.rule}
    own = {table.name: i for i, table in enumerate(file.rule)}
    made = [
        _resolved(table, own.get(table.name), file, scale, findings)
        for table in chosen.rule
    ]
    for i, table in enumerate(file.rule):
        if table.name in presets:
            _same_measure(i, table, presets[table.name], findings)
        elif table.measure is None:
            right = f"a measure for a new rule; or {suggestion(table.name, presets)}"
            findings.tell(("rule", i, "measure"), "is missing", right)
        else:
            made.append(_resolved(None, i, file, scale, findings))
    known = presets.keys() | own.keys()
    for i, table in enumerate(file.rule):
        for j, name in enumerate(table.suppressed_by):
            if name not in known:
                path = ("rule", i, "suppressed_by", j)
                wrong, right = f"unknown rule {name!r}", suggestion(name, known)
                findings.tell(path, wrong, right, needs=findings.nameless("rule"))
    return _in_service([rule for rule in made if rule is not None])


def _in_service(rules: list[Rule]) -> tuple[Rule, ...]:
    names = {rule.name for rule in rules}
    return tuple(
        replace(rule, suppressed_by=tuple(n for n in rule.suppressed_by if n in names))
        for rule in rules
    )


def _same_measure(i: int, own: RuleTable, table: RuleTable, findings: Findings) -> None:
    if own.measure is not None and own.measure is not table.measure:
        wrong = f"{own.name} of the preset is on {table.measure}"
        findings.tell(("rule", i, "measure"), wrong, "a new name for another measure")


def _resolved(
    table: RuleTable | None,
    i: int | None,
    file: SiteFile,
    scale: Scale,
    findings: Findings,
) -> Rule | None:
    """Return a preset's rule with table *i* of the site over it; None if not used."""
    own = None if i is None else file.rule[i]
    whole = merged(table, own) if own is not None else table
    if whole is None:
        return None
    resolver = Resolver(scale=scale, tell=_teller(i, whole.name, findings))
    rises = None
    if table is not None and own is not None:
        plain = Resolver(scale=scale, tell=lambda *_: None).rule(table)
        rises = None if plain is None else plain.rises
    rule = resolver.rule(whole, rises=rises)
    return rule if whole.enabled else None


def _teller(
    i: int | None, name: str, findings: Findings
) -> Callable[[Key, str, str], None]:
    """Return what tells a mistake of a rule: at its table, or at the whole preset."""

    def tell(key: Key, wrong: str, right: str) -> None:
        if i is None:
            what = f"{name}: {'.'.join(map(str, key))} {wrong}"
            findings.tell(("protection",), what, right, needs=LIMITS)
        elif key[0] in {"actions", "gate"}:
            findings.tell(("rule", i, *key), wrong, right)
        else:
            needs = [*LIMITS, ("rule", i)]
            findings.tell(("rule", i, *key), wrong, right, needs=needs)

    return tell
