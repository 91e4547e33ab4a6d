"""``[[source]]`` tables: what a source beside the packs' own gives, and of what."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tocsin.core.model import BANK, Agreement, Extra, Value
from tocsin.core.rules import Unit
from tocsin.registers import PointRole
from tocsin_config.problems import suggestion

if TYPE_CHECKING:
    from collections.abc import Iterable

    from tocsin.ports import SourceSpec
    from tocsin_config.findings import Findings
    from tocsin_config.models import PackTable, SiteFile, SourceTable

DRIVERS = frozenset({"modbus-map", "sunspec", "rv-c", "dbc"})
"""Drivers that read one thing at a time; the others play whole packs."""

APART_RATE = 0.02
"""Of 1C of each string: so far may two current sensors be apart at rest; common
practice, no source."""

APART_CELL_MV = 30
"""For each cell in series, as between a pack and the sum of its cells."""

AGREEING = {
    "agree_a": Value.CURRENT,
    "agree_pct": Value.CURRENT,
    "agree_v": Value.VOLTAGE,
    "agree_soc_pct": Value.SOC,
}


def build_extras(file: SiteFile, findings: Findings) -> tuple[Extra, ...]:
    """Return the sources beside the packs' own; every mistake goes to the findings."""
    places = (BANK, *dict.fromkeys(name for t in file.pack for name in _names(t)))
    named = [(("pack", i, "name"), table.name) for i, table in enumerate(file.pack)]
    mine = [(("source", i, "name"), table.name) for i, table in enumerate(file.source)]
    if file.source:
        findings.twice((*named, *mine), "the name is taken", "a name for each source")
    for i, table in enumerate(file.source):
        path = ("source", i)
        if table.driver not in DRIVERS:
            wrong = f"{table.driver} plays whole packs"
            right = f"one of {', '.join(sorted(DRIVERS))}"
            findings.tell((*path, "driver"), wrong, right)
        if table.name == BANK or table.name in {t.string for t in file.pack}:
            findings.tell((*path, "name"), "the name is taken", "another name")
        if table.of not in places:
            wrong, right = (
                f"no bank, pack or string {table.of!r}",
                suggestion(table.of, places),
            )
            needs = findings.nameless("pack")
            findings.tell((*path, "of"), wrong, right, needs=needs)
        if len(set(table.gives)) < len(table.gives):
            findings.tell((*path, "gives"), "says one value twice", "each value once")
        for key, value in AGREEING.items():
            if key in table.model_fields_set and value not in table.gives:
                wrong = f"has no meaning without {value}"
                findings.tell((*path, key), wrong, f'"{value}" in gives')
    return tuple(_extra(table, file) for table in file.source)


def _names(table: PackTable) -> Iterable[str]:
    return (table.name,) if table.string is None else (table.name, table.string)


def _extra(table: SourceTable, file: SiteFile) -> Extra:
    gives = tuple((value, _agreement(value, table, file)) for value in table.gives)
    return Extra(name=table.name, of=table.of, gives=gives)


def _agreement(value: Value, table: SourceTable, file: SiteFile) -> Agreement:
    strings = [pack.string or pack.name for pack in file.pack]
    is_pack = table.of in {pack.name for pack in file.pack}
    match value:
        case Value.CURRENT:
            many = len(set(strings)) if table.of == BANK else 1
            apart_a = file.bank.capacity_ah * APART_RATE * many
            fixed_a = apart_a if table.agree_a is None else table.agree_a
            permille = Unit.PERMILLE.inside(table.agree_pct)
            return Agreement(fixed=max(1, Unit.MA.inside(fixed_a)), permille=permille)
        case Value.VOLTAGE:
            packs = 1 if is_pack else strings.count(strings[0])
            apart_mv = APART_CELL_MV * file.bank.cells_in_series * packs
            given = table.agree_v
            fixed_mv = apart_mv if given is None else Unit.MV.inside(given)
            return Agreement(fixed=max(1, fixed_mv))
        case Value.SOC:
            return Agreement(fixed=Unit.PERMILLE.inside(table.agree_soc_pct))


def says_current(spec: SourceSpec) -> bool:
    """Return False if a pack's source is known to say no current."""
    match spec.driver:
        case "modbus-map":
            told = spec.options["map"].points
        case "dbc":
            told = spec.options["signals"].signals
        case _:
            return True
    return any(each.role is PointRole.CURRENT for each in told)
