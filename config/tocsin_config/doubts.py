"""What a site file may say but hardly should: legal, and dangerous."""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeAlias

from tocsin.core.circuit import Pull, Verdict
from tocsin.core.circuit.finding import over
from tocsin.core.circuit.pfd import MOST_PFD
from tocsin.core.circuit.pins import boots_high
from tocsin.core.extras import blind, reaches
from tocsin.core.model import Value
from tocsin.core.plant import InputRole
from tocsin.core.rules import Measure, Priority, Role, Rule, Unit
from tocsin.ports import CanLine, SerialLine, TcpLine
from tocsin_config.broker import broker_doubts
from tocsin_config.circuits import judged
from tocsin_config.document import Document
from tocsin_config.driven import ALERTS, driven_by, drives
from tocsin_config.extras import says_current
from tocsin_config.presets import preset
from tocsin_config.tls import is_near

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tocsin_config.problems import Key, Problem
    from tocsin_config.rule_models import RuleTable
    from tocsin_config.setup import Setup

Doubt: TypeAlias = "tuple[Key, str, str]"

CELL_LESS = frozenset({"rv-c"})
"""Drivers of packs that are heard as a whole: RV-C specification, 6.5 and 6.49; cells
come on request there, if at all."""

OF_CELLS = frozenset(
    {
        *(Measure.LOWEST_CELL, Measure.HIGHEST_CELL, Measure.HIGHEST_CELL_AHEAD),
        *(Measure.CELL_SPREAD, Measure.SUM_ERROR, Measure.SURGE_RISK),
        *(Measure.LOW_CELL_TIME, Measure.LOW_CELL_TIME_EARLY),
        *(Measure.HIGH_CELL_TIME, Measure.COLD_TIME),
    }
)
"""Measures, and forecasts, that need single cells."""

WANTED = {
    Role.CHARGE_PERMIT: "nothing can stop a charger",
    Role.LOAD_PERMIT: "nothing can shed a load ahead of the cut-off",
    Role.HORN: "nobody is woken",
    Role.HEARTBEAT: "a hung computer leaves every permit as it was",
}


def doubts(setup: Setup) -> tuple[Problem, ...]:
    """Return what is doubtful with a site file that loads, by line."""
    origin = setup.origin
    document = Document(file=setup.path) if origin is None else origin.document
    looks = (
        *(_cut_offs, _chargers, _outputs, _pins, _circuits, _wanted),
        *(_unheard, _sources, _cell_less, _lonely_values, _on_request),
        *(_calls, _off, _page, broker_doubts),
    )
    found = [document.problem(*doubt) for look in looks for doubt in look(setup)]
    return tuple(sorted(found))


def rule_key(setup: Setup, name: str) -> Key:
    """Return where a rule stands: its own table, or the line that names the preset."""
    tables = () if setup.origin is None else setup.origin.tables.rule
    for i, table in enumerate(tables):
        if table.name == name:
            return ("rule", i)
    return ("bank", "chemistry")


def _cut_offs(setup: Setup) -> Iterator[Doubt]:
    """Limits that come at or after the protector's own."""
    site = setup.site
    for rule in site.rules:
        at, unit = rule_key(setup, rule.name), rule.measure.unit
        trip = f"{rule.name} trips at {unit.text(rule.trip_at)}"
        match rule.measure:
            case Measure.LOWEST_CELL if rule.trip_at <= site.low_cut_mv:
                cut = Unit.MV.text(site.low_cut_mv)
                wrong = f"{trip}, not before the protector's cut-off at {cut}"
                yield at, wrong, f"a trip limit above {cut}"
            case Measure.HIGHEST_CELL | Measure.HIGHEST_CELL_AHEAD if (
                rule.rises and rule.trip_at >= site.high_cut_mv
            ):
                cut = Unit.MV.text(site.high_cut_mv)
                wrong = f"{trip}, not before the protector's cut-off at {cut}"
                yield at, wrong, f"a trip limit below {cut}"
            case Measure.COLDEST if (
                _acts_on(rule, Role.CHARGE_PERMIT)
                and not rule.rises
                and rule.trip_at < site.cold_charge_dc
            ):
                cut = Unit.DC.text(site.cold_charge_dc)
                wrong = f"{trip}; the protector refuses charge from {cut} down"
                yield at, wrong, f"a trip limit of {cut} or more"


def _acts_on(rule: Rule, role: Role) -> bool:
    return any(action.role is role for action in rule.actions)


def _chargers(setup: Setup) -> Iterator[Doubt]:
    limits = [
        rule.trip_at
        for rule in setup.site.rules
        if rule.measure is Measure.HIGHEST_CELL and _acts_on(rule, Role.CHARGE_PERMIT)
    ]
    if setup.absorption_v is None or not limits:
        return
    limit, cells = min(limits), setup.site.bank.packs[0].cells
    cell_mv = Unit.MV.inside(setup.absorption_v / cells)
    if cell_mv >= limit:
        wrong = (
            f"{setup.absorption_v:g} V is {Unit.MV.text(cell_mv)} a cell; charging is "
            f"inhibited from {Unit.MV.text(limit)}"
        )
        right = f"below {limit * cells / 1000:.1f} V for {cells} cells"
        yield ("charging", "absorption_v"), wrong, right


def _outputs(setup: Setup) -> Iterator[Doubt]:
    site = setup.site
    for i, output in enumerate(site.outputs):
        is_own = output.role in {Role.HEARTBEAT, Role.GENERATOR_LOAD}
        is_own |= output.heater is not None
        if not is_own and not driven_by(output, site.rules):
            wrong = f"no rule drives the {output.role} {output.name}"
            yield ("output", i), wrong, "a rule that acts on it, or leave it out"
    loads = [o for o in site.outputs if o.role is Role.LOAD_PERMIT]
    stages = {output.stage for output in loads}
    for hole in sorted(set(range(1, max(stages, default=0))) - stages):
        i = next(i for i, o in enumerate(site.outputs) if o.stage > hole)
        yield ("output", i, "stage"), f"no load stage {hole}", "stages without holes"


def _pins(setup: Setup) -> Iterator[Doubt]:
    """Pins of outputs that state no circuit; one that does is judged as a whole."""
    for i, pin in enumerate(setup.pins):
        if i < len(setup.wiring) and setup.wiring[i].circuit is not None:
            continue
        if pin.pin and boots_high(pin.pin, Pull.NONE) and not pin.active_low:
            wrong = f"{pin.pin} is pulled up at boot, so {pin.output} may energise then"
            right = "one of GPIO9 to GPIO27, with a pull-down at the relay's driver"
            yield ("output", i, "pin"), wrong, right
        if pin.active_low:
            wrong = f"{pin.output} energises when the pin is low, as a dead pin may be"
            right = "a relay driver that needs a high pin"
            yield ("output", i, "active_low"), wrong, right
    if setup.pins_driver == "simulated" and setup.pins:
        right = '[gpio] pins = "lgpio" where relays are wired'
        yield ("gpio", "pins"), "pins are simulated: no relay moves", right


def _circuits(setup: Setup) -> Iterator[Doubt]:
    """Everything that is not fine with the circuits that are stated."""
    every, rail = judged(setup)
    for i, each in enumerate(every):
        for finding in each.findings:
            if finding.verdict is not Verdict.FINE:
                at = () if finding.key in {"pin", "active_low"} else ("circuit",)
                yield ("output", i, *at, finding.key), finding.wrong, finding.change
        chain = each.reliability
        if chain is not None and over(chain.pfd_avg, MOST_PFD):
            wrong = f"an estimated {chain.pfd_avg:.0%} of demands on {each.output} fail"
            right = "a proof test more often, of more of it, or a part that fails less"
            yield ("output", i, "reliability"), wrong, right
    if rail is not None and rail.verdict is not Verdict.FINE:
        yield ("output",), rail.wrong, rail.change


def _calls(setup: Setup) -> Iterator[Doubt]:
    """Sets and heaters of which too little is known."""
    site = setup.site
    roles = {each.role for each in site.inputs}
    hot_dc = [
        rule.trip_at
        for rule in site.rules
        if rule.measure is Measure.HOTTEST and _acts_on(rule, Role.CHARGE_PERMIT)
    ]
    for i, output in enumerate(site.outputs):
        if output.generator is not None:
            if InputRole.GENERATOR_LOCKOUT not in roles:
                wrong = f"nothing at the set can keep {output.name} from starting"
                yield ("output", i), wrong, "an [[input]] of role generator-lockout"
            if InputRole.GENERATOR_RUNNING not in roles:
                wrong = f"only a charge current shows that {output.name} runs"
                yield ("output", i), wrong, "an [[input]] of role generator-running"
        skin = None if output.heater is None else output.heater.skin
        if skin is not None and hot_dc and skin.limit_dc >= min(hot_dc):
            wrong = (
                f"charge is inhibited from {Unit.DC.text(min(hot_dc))} of any sensor"
            )
            right = "a lower limit, or that sensor out of the pack's temperatures"
            yield ("output", i, "heater", "skin_limit_c"), wrong, right
    for i, pin in enumerate(setup.input_pins):
        is_open_high = pin.pull == "up"
        locks = is_open_high is not pin.active_low and pin.pull != "none"
        if pin.role is InputRole.GENERATOR_LOCKOUT and not locks:
            wrong = f"a broken wire to {pin.input} leaves the set free to start"
            yield ("input", i, "pull"), wrong, "a pull and a contact that open to lock"


def _wanted(setup: Setup) -> Iterator[Doubt]:
    roles = {output.role for output in setup.site.outputs}
    for role, why in WANTED.items():
        if role not in roles:
            yield ("output",), f"no {role}: {why}", f"an [[output]] of role {role}"


def _unheard(setup: Setup) -> Iterator[Doubt]:
    site = setup.site
    if any(output.role in ALERTS for output in site.outputs):
        return
    unheard = [
        rule.name
        for rule in site.rules
        if rule.priority is not Priority.LOW
        and not any(drives(rule, output) for output in site.outputs)
    ]
    if unheard:
        wrong = f"alarms that move nothing and sound nowhere: {', '.join(unheard)}"
        yield ("output",), wrong, "a horn or a beacon"


def _sources(setup: Setup) -> Iterator[Doubt]:
    for i, source in enumerate(setup.sources):
        if source.is_only_recorded:
            wrong = f"{source.name} exists in recordings only: `run` cannot read it"
            right = "another driver, a file to play, or only `tocsin replay`"
            yield ("pack", i, "driver"), wrong, right
        elif source.is_played:
            wrong = f"{source.name} is played from a recording: no battery is watched"
            yield ("pack", i, "driver"), wrong, "the driver of a real pack"
    if len(setup.sources) == 1 and not setup.extras:
        wrong = "one pack is the only source: nothing can contradict it"
        yield ("pack",), wrong, "a second source, or a protector that is independent"
        return
    places = {_place(source.line) for source in (*setup.sources, *setup.extras)}
    if len(places) == 1 and None not in places:
        wrong = "every pack is read over one line: it fails for all of them at once"
        yield ("pack",), wrong, "a line of its own for each pack, where that can be had"


def _place(line: TcpLine | SerialLine | CanLine | None) -> str | None:
    match line:
        case TcpLine():
            return f"{line.host.lower()}:{line.port}"
        case SerialLine():
            return line.device
        case CanLine():
            return f"{line.interface}:{line.channel}"
        case None:
            return None


def _cell_less(setup: Setup) -> Iterator[Doubt]:
    """Packs that say nothing of their cells, and the rules that look at cells."""
    site = setup.site
    rules = [rule for rule in site.rules if rule.measure in OF_CELLS]
    missing = [rule.name for rule in site.rules if rule.measure is Measure.MISSING]
    for i, source in enumerate(setup.sources):
        if source.driver not in CELL_LESS or not rules:
            continue
        names = ", ".join(rule.name for rule in rules)
        wrong = f"{source.name} says no cells; these rules cannot work on it: {names}"
        right = "cells read from another source"
        if missing and site.guarded & OF_CELLS:
            wrong += f"; so {missing[0]} keeps the permits dropped"
            right += "; or these rules off the permits, by someone who knows why"
        yield ("pack", i, "driver"), wrong, right


def _lonely_values(setup: Setup) -> Iterator[Doubt]:
    """Currents that nobody says, or only one source beside the packs' own."""
    site = setup.site
    mute = [spec.name for spec in setup.sources if not says_current(spec)]
    for i, spec in enumerate(setup.sources):
        if spec.name not in mute or _neighbour_says(spec.name, mute, setup):
            continue
        helpers = [
            (k, extra)
            for k, extra in enumerate(site.extras)
            if Value.CURRENT in extra.values and reaches(extra, spec.name, site)
        ]
        blinds = blind(Value.CURRENT, [spec.name], site)
        blinds = blinds[0].lower() + blinds[1:].removesuffix(".")
        if not helpers:
            right = "a [[source]] that gives its current, such as a shunt"
            yield ("pack", i), blinds, right
        elif len(helpers) == 1:
            k, extra = helpers[0]
            wrong = f"while {extra.name} is lost, {blinds}"
            right = "a second source; or extra-source-lost of priority medium"
            yield ("source", k), wrong, right


def _neighbour_says(name: str, mute: list[str], setup: Setup) -> bool:
    """Return True if a pack in series with *name* says the current of both."""
    bank = setup.site.bank
    string = next(pack.string for pack in bank.packs if pack.name == name)
    return any(p.string == string and p.name not in mute for p in bank.packs)


def _on_request(setup: Setup) -> Iterator[Doubt]:
    """Messages that RV-C sends when asked, and that nobody asks for."""
    for i, source in enumerate(setup.sources):
        if source.driver == "rv-c" and source.options["battery"] is not None:
            wrong = (
                f"RV-C sends a battery's own messages when asked, and {source.name} "
                "only listens"
            )
            right = "a battery that sends them by itself, or its source's instance"
            yield ("pack", i, "battery"), wrong, right


def _off(setup: Setup) -> Iterator[Doubt]:
    """Protective rules of the preset that the site takes away."""
    if setup.origin is None:
        return
    presets = {t.name: t for t in preset(setup.site.chemistry.name).rule}
    for i, own in enumerate(setup.origin.tables.rule):
        table = presets.get(own.name)
        if table is None or not _permits(table):
            continue
        if not own.enabled:
            wrong = f"{own.name} guards {', '.join(_permits(table))} and is off"
            yield ("rule", i, "enabled"), wrong, "its limits changed, not its service"
        elif "actions" in own.model_fields_set:
            gone = [word for word in _permits(table) if word not in own.actions]
            if gone:
                wrong = f"{own.name} no longer acts on {', '.join(gone)}"
                yield ("rule", i, "actions"), wrong, f"{', '.join(gone)} as well"


def _permits(table: RuleTable) -> list[str]:
    permits = (Role.CHARGE_PERMIT.value, Role.LOAD_PERMIT.value)
    return [word for word in table.actions if word.startswith(permits)]


def _page(setup: Setup) -> Iterator[Doubt]:
    """Doubt a page that others on the network reach, and overhear."""
    page = setup.page
    if page is None or page.certificate is not None or is_near(page.host):
        return
    wrong = (
        f"{page.host} lets the network in, and without encryption: whoever listens "
        "there learns the token"
    )
    right = "127.0.0.1 and a tunnel, or certificate and key"
    yield ("page", "host"), wrong, right
