"""From what the core decided to every retained value of the public tree. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from tocsin.clock import iso_time
from tocsin.core.alarm import HIDDEN, AlarmState
from tocsin.core.forecast import FAR_MS
from tocsin.core.levels import MINIMUM_OFF, MINIMUM_ON, NOT_ITS_TURN
from tocsin.core.measures import allowed_charge_ma, measure
from tocsin.core.rules import Measure, Priority
from tocsin.mqtt import properties as table
from tocsin.mqtt.messages import (
    SNAPSHOT_GAP_S,
    VALUE_AGAIN_S,
    VALUE_EXPIRES_S,
    VALUE_GAP_S,
    Message,
    lasting,
)
from tocsin.mqtt.names import slug
from tocsin.mqtt.payloads import boolean, document, number, string
from tocsin.mqtt.properties import Datatype, Node, Property

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from tocsin.core.engine import Outcome
    from tocsin.core.forecast import Forecast
    from tocsin.core.measures import PackState
    from tocsin.core.site import Site
    from tocsin.mqtt.describe import Seen
    from tocsin.mqtt.names import Names

LOST_MS = 30_000
"""A pack that has said nothing for so long is lost, and its values go."""

PROVING = "proof-test"
"""Stands where a proof test, not the bank, is why."""

PASSING = frozenset({MINIMUM_ON, MINIMUM_OFF, NOT_ITS_TURN})
"""Reasons that a minimum time or a turn ends, without anything else to happen."""

RANK = (Priority.LOW, Priority.MEDIUM, Priority.HIGH)


@dataclass(frozen=True, slots=True, kw_only=True)
class Tree:
    """What the broker should keep, but for ``$state`` and ``$description``.

    Attributes:
        messages: By topic.
        lives: The ``$state`` of each pack's device.
        decisive: What alarms and outputs say: a change of it does not wait.
    """

    messages: Mapping[str, Message]
    lives: Mapping[str, str]
    decisive: object


def seen(outcome: Outcome, site: Site, before: Mapping[str, Seen]) -> dict[str, Seen]:
    """Return how many cells and temperatures each pack was ever seen to say."""
    now: dict[str, Seen] = {}
    for pack, state in zip(site.bank.packs, outcome.state.packs, strict=True):
        cells, temps = before.get(pack.name, (0, 0))
        if state.sample is not None:
            cells = max(cells, len(state.sample.cells_mv))
            temps = max(temps, len(state.sample.temps_dc))
        now[pack.name] = cells, temps
    return now


def grown(
    names: Names,
    site: Site,
    outcome: Outcome,
    snapshot: Mapping[str, Any],
    *,
    wall_ms: int,
) -> Tree:
    """Return the tree of *outcome*, decided at the time of day *wall_ms*.

    *snapshot* is what `tocsin.show` makes of the same outcome.
    """
    messages = [
        *_alarms(names, site, outcome, snapshot),
        *_outputs(names, snapshot),
        *_bank(names, outcome, snapshot),
    ]
    lives: dict[str, str] = {}
    for i, (name, device) in enumerate(names.packs.items()):
        state = outcome.state.packs[i]
        lives[device] = _life(state, outcome.state.now_ms)
        if lives[device] == "ready":
            leaf = _Leaves(names, device)
            at = iso_time(wall_ms - (outcome.state.now_ms - state.heard_ms))
            messages += _pack(leaf, site, state, outcome.state.now_ms, at)
            messages += _sample(leaf, snapshot["packs"][i], at)
        messages += _forecasts(_Leaves(names, device), name, state)
    decisive = (
        [(a["alarm"], a["state"], a["subject"]) for a in snapshot["alarms"]],
        snapshot["outputs"],
        tuple(lives.values()),
    )
    return Tree(
        messages={each.topic: each for each in messages},
        lives=lives,
        decisive=decisive,
    )


@dataclass(frozen=True, slots=True)
class _Leaves:
    """Makes the messages of one device's values."""

    names: Names
    device: str

    def value(
        self,
        node: Node,
        key: str,
        shown: Any,  # noqa: ANN401 whatever its datatype holds
        *,
        gap_s: float = 0.0,
    ) -> Iterator[Message]:
        """Yield the message of one value; none of one that is not known."""
        if shown is None:
            return
        found = node.by_id[key]
        is_number = found.datatype in {Datatype.FLOAT, Datatype.INTEGER}
        yield Message(
            topic=self.names.topic(self.device, node.id, key),
            payload=encoded(found, shown),
            expires_s=VALUE_EXPIRES_S,
            again_s=VALUE_AGAIN_S,
            gap_s=gap_s or (VALUE_GAP_S if is_number else 0.0),
            reading=float(shown) if is_number else None,
            band=found.band,
        )


def encoded(of: Property, shown: Any) -> bytes:  # noqa: ANN401 whatever its datatype holds
    """Return the payload of *shown* by the datatype of its property."""
    match of.datatype:
        case Datatype.FLOAT | Datatype.INTEGER:
            return number(shown, of.decimals)
        case Datatype.BOOLEAN:
            return boolean(value=shown)
        case Datatype.JSON:
            return document(shown)
        case _:
            return string(shown)


def _alarms(
    names: Names, site: Site, outcome: Outcome, snapshot: Mapping[str, Any]
) -> Iterator[Message]:
    leaf, raised = _Leaves(names, names.root), list[dict[str, Any]]()
    hidden = {state.value for state in HIDDEN}
    whose: dict[tuple[str, str], str] = {}
    shown = [a for a in outcome.state.alarms if a.state is not AlarmState.NORMAL]
    real = [told for told in snapshot["alarms"] if not told.get("proving")]
    for alarm, told in zip(shown, real, strict=True):
        if told["state"] in hidden:
            continue
        raised.append(told)
        device = names.packs.get(alarm.subject, names.root)
        own = slug(site.rules[alarm.index].name)
        if device == names.root and alarm.subject != "bank":
            own = f"{own}-{slug(alarm.subject)}"
        said = f"{told['priority']}, {told['state']}: {told['message']}"
        whose[device, own] = said
    if (proof := snapshot["proving"]) is not None:
        whose[names.root, PROVING] = (
            f"PROOF TEST by {proof['by']}, not real: {proof['alarm']} of "
            f"{proof['subject']}, {proof['state']}"
        )
    for (device, own), said in whose.items():
        yield lasting(names.topic(device, "$alert", own), string(said))
    worst = max(raised, key=lambda a: RANK.index(Priority(a["priority"])), default=None)
    level = "none" if worst is None else worst["priority"]
    yield from leaf.value(table.ALARM, "level", level)
    yield from leaf.value(table.ALARM, "count", len(raised))
    yield from leaf.value(table.ALARM, "text", worst["message"] if worst else "")
    yield from leaf.value(table.ALARM, "list", snapshot["alarms"])


def _outputs(names: Names, snapshot: Mapping[str, Any]) -> Iterator[Message]:
    leaf = _Leaves(names, names.root)
    for told in snapshot["outputs"]:
        node = Node(id=names.outputs[told["output"]], name="", properties=table.OUTPUT)
        (level,) = leaf.value(node, "energised", told["energised"])
        reasons = set(told["because"])
        is_passing = bool(reasons) and reasons <= PASSING
        goal = boolean(value=told["energised"] is not is_passing)
        yield Message(
            topic=f"{level.topic}/$target",
            payload=goal,
            expires_s=level.expires_s,
            again_s=level.again_s,
        )
        yield level
        why = (*told["because"], *([PROVING] if told.get("proving") else []))
        yield from leaf.value(node, "because", ", ".join(why))
        yield from leaf.value(node, "role", told["role"])


def _bank(
    names: Names, outcome: Outcome, snapshot: Mapping[str, Any]
) -> Iterator[Message]:
    leaf = _Leaves(names, names.root)
    likely = [
        told.likely_ms
        for pack in outcome.state.packs
        for told in pack.foretold()
        if told.limit.value == "low"
    ]
    left = [ms for ms in likely if ms is not None and ms < FAR_MS]
    yield from leaf.value(table.BANK, "minutes-left", _minutes(min(left, default=None)))
    yield from leaf.value(table.BANK, "snapshot", snapshot, gap_s=SNAPSHOT_GAP_S)


def _life(state: PackState, now_ms: int) -> str:
    if state.sample is None:
        return "init" if now_ms - state.heard_ms < LOST_MS else "lost"
    is_heard = state.online or now_ms - state.heard_ms < LOST_MS
    return "ready" if is_heard else "lost"


MEASURES = (
    ("lowest-cell", Measure.LOWEST_CELL),
    ("highest-cell", Measure.HIGHEST_CELL),
    ("cell-spread", Measure.CELL_SPREAD),
    ("coldest", Measure.COLDEST),
    ("hottest", Measure.HOTTEST),
)


def _pack(
    leaf: _Leaves, site: Site, state: PackState, now_ms: int, at: str
) -> Iterator[Message]:
    sample = state.sample
    if sample is None:
        return
    node = table.PACK
    for key, value, divisor in (
        ("voltage", sample.voltage_mv, 1000),
        ("current", sample.current_ma, 1000),
        ("soc", sample.soc_permille, 10),
    ):
        yield from leaf.value(node, key, None if value is None else value / divisor)
    coldest_dc = None
    for key, what in MEASURES:
        value, part = measure(what, state, site, now_ms)
        shown = None if value is None else what.unit.shown(value)
        yield from leaf.value(node, key, shown)
        if key.endswith("-cell") and part:
            yield from leaf.value(node, f"{key}-number", int(part))
        if what is Measure.COLDEST:
            coldest_dc = value
    allowed_ma = allowed_charge_ma(site, coldest_dc)
    allowed_a = None if allowed_ma is None else allowed_ma / 1000
    yield from leaf.value(node, "charge-allowed", allowed_a)
    quality = "partial" if state.trouble else "good"
    yield from leaf.value(node, "quality", quality if state.online else "old")
    yield from leaf.value(node, "sampled-at", at, gap_s=SNAPSHOT_GAP_S)
    yield from leaf.value(node, "trouble", state.trouble)
    cells = table.cells(len(sample.cells_mv))
    for each, mv in zip(cells.properties, sample.cells_mv, strict=True):
        yield from leaf.value(cells, each.id, mv / 1000)
    temps = table.temperatures(len(sample.temps_dc))
    for each, dc in zip(temps.properties, sample.temps_dc, strict=True):
        yield from leaf.value(temps, each.id, dc / 10)


def _sample(leaf: _Leaves, shown: Mapping[str, Any], at: str) -> Iterator[Message]:
    whole = {"at": at, **{k: v for k, v in shown.items() if k != "age_s"}}
    yield from leaf.value(table.SAMPLE, "all", whole, gap_s=SNAPSHOT_GAP_S)


def _forecasts(leaf: _Leaves, pack: str, state: PackState) -> Iterator[Message]:
    told = {each.limit.value: each for each in state.foretold()}
    for node in table.FORECASTS:
        if (forecast := told.get(node.id)) is not None:
            yield from _forecast(leaf, node, pack, forecast)


def _forecast(
    leaf: _Leaves, node: Node, pack: str, told: Forecast
) -> Iterator[Message]:
    outlook = "foretold"
    if told.likely_ms is None:
        outlook = "unknown"
    elif told.likely_ms >= FAR_MS:
        outlook = "not-within-a-day"
    yield from leaf.value(node, "outlook", outlook)
    for key, at_ms in (
        ("early", told.early_ms),
        ("likely", told.likely_ms),
        ("late", told.late_ms),
    ):
        yield from leaf.value(node, key, _minutes(at_ms))
    where = f"{pack}/{told.part}" if told.part else pack
    yield from leaf.value(node, "subject", where)
    yield from leaf.value(node, "reason", told.reason)


def _minutes(at_ms: int | None) -> float | None:
    return None if at_ms is None or at_ms >= FAR_MS else at_ms / 60_000
