"""Write `asyncapi.json` from the table of values, and `TOPICS.md` from that file.

    python deploy/mqtt/document.py           # writes both
    python deploy/mqtt/document.py --check   # exit code 1 if one is out of date

AsyncAPI 3.0.0 (asyncapi.com, Apache-2.0), MQTT bindings 0.2.0. The JSON Schemas beside
it are written by hand.
"""

from __future__ import annotations

import json
import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tocsin import __version__
from tocsin.mqtt import properties as table
from tocsin.mqtt.messages import REPLY_EXPIRES_S, STATE_EXPIRES_S, VALUE_EXPIRES_S
from tocsin.mqtt.properties import Datatype, Property
from tocsin.mqtt.summary import EXPIRES_S as SUMMARY_EXPIRES_S
from tocsin.mqtt.uplink_nodes import FLEET, PAGES

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

HERE = Path(__file__).parent
ASYNCAPI, TOPICS = HERE / "asyncapi.json", HERE / "TOPICS.md"

ABOUT = """\
What Tocsin tells over MQTT, and what it may be asked. One tree after the Homie \
convention, version 5, under a domain of your choice (`homie` unless said). The daemon \
is the root device; each pack is a child device with its own `$state`."""

TIMES = r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)"
PATTERNS = {
    Datatype.INTEGER: r"^-?\d+$",
    Datatype.FLOAT: r"^-?\d+(\.\d+)?([eE]-?\d+)?$",
    Datatype.BOOLEAN: "^(true|false)$",
    Datatype.STRING: r"^[\s\S]+$",
    Datatype.DATETIME: f"^{TIMES}$",
}
SCHEMAS = {
    "all": "sample",
    "list": "alarms",
    "snapshot": "snapshot",
    "event": "event",
    "last": "result",
    "summary": "summary",
    "request": "page_request",
}
STATES = "^(init|ready|disconnected|sleeping|lost)$"
PARAMETERS = {
    "domain": "The first level of every topic, `domain` of the site file.",
    "site": "The site's name in lower-case letters, digits and dashes.",
    "pack": "The site, a dash, and the pack's name, written likewise.",
    "device": "The site, or one of its packs.",
    "output": "The output's name, written likewise.",
    "cell": "Two digits or more, from 01.",
    "temperature": "A number from 1.",
    "limit": "Which limit is foretold.",
    "alert": "The alarm's name; on the site's own device, of a string or a part, with "
    "a dash and what it is about.",
    "verb": "What is asked.",
    "path": "Whatever you like; one level.",
}


def channel(
    address: str,
    about: str,
    payload: dict[str, Any],
    *,
    retain: bool = True,
    expires_s: int | None = None,
    action: str = "send",
    title: str = "",
) -> dict[str, Any]:
    """Return one channel, with its operation's bindings beside it."""
    found = re.findall(r"\{(\w+)\}", address)
    mqtt: dict[str, Any] = {"qos": 1, "retain": retain, "bindingVersion": "0.2.0"}
    mqtt |= {} if expires_s is None else {"messageExpiryInterval": expires_s}
    is_text = payload.get("type") == "string"
    kind = "text/plain" if is_text else "application/json"
    return {
        "address": address,
        "title": title or address.rsplit("/", maxsplit=1)[-1],
        "description": about,
        "parameters": {
            each: {"$ref": f"#/components/parameters/{each}"} for each in found
        },
        "messages": {"value": {"contentType": kind, "payload": payload}},
        "x-operation": {"action": action, "mqtt": mqtt},
    }


def payload(of: Property) -> dict[str, Any]:
    """Return the schema of a property's payload."""
    if of.datatype is Datatype.JSON:
        return {"$ref": f"./schemas/{SCHEMAS.get(of.id, 'command')}.json"}
    if of.datatype is Datatype.ENUM:
        return {"type": "string", "enum": of.format.split(",")}
    told: dict[str, Any] = {"type": "string", "pattern": PATTERNS[of.datatype]}
    told |= {"x-datatype": of.datatype.value}
    return told | ({"x-unit": of.unit} if of.unit else {})


def values(prefix: str, of: Iterable[Property]) -> Iterator[dict[str, Any]]:
    """Yield the channels of values below *prefix*."""
    for each in of:
        address = f"{prefix}/{each.id}"
        if each.is_settable:
            yield channel(
                f"{address}/set", each.about, payload(each),
                retain=False, action="receive", title=each.name,
            )  # fmt: skip
            continue
        is_lasting = each.id == "last" or not each.is_retained
        beats = each.id in {"heartbeat", "version"}
        expires_s = STATE_EXPIRES_S if beats else VALUE_EXPIRES_S
        yield channel(
            address, each.about, payload(each),
            retain=each.is_retained,
            expires_s=None if is_lasting else expires_s,
            title=each.name,
        )  # fmt: skip
        if each.goal:
            yield channel(
                f"{address}/$target", "Where it goes by itself.", payload(each),
                expires_s=VALUE_EXPIRES_S, title=f"{each.name}, goal",
            )  # fmt: skip


def channels() -> Iterator[dict[str, Any]]:
    """Yield every channel."""
    device, site, pack = (f"{{domain}}/5/{{{w}}}" for w in ("device", "site", "pack"))
    state = (
        "ready and init expire, at a fleet twice as late; lost is the broker's word "
        "when we break off."
    )
    description = {"$ref": "./schemas/description.json"}
    text = {"type": "string", "pattern": PATTERNS[Datatype.STRING]}
    yield channel(
        f"{device}/$state", state, {"type": "string", "pattern": STATES},
        expires_s=2 * STATE_EXPIRES_S, title="State",
    )  # fmt: skip
    yield channel(
        f"{device}/$description", "What the device has.", description,
        title="Description",
    )  # fmt: skip
    yield channel(
        f"{device}/$alert/{{alert}}", "Priority, state and message of a raised alarm.",
        text, title="Alert",
    )  # fmt: skip
    for node in (table.SERVICE, table.ALARM, table.BANK, table.EVENTS, table.COMMAND):
        yield from values(f"{site}/{node.id}", node.properties)
    yield from values(f"{site}/output-{{output}}", table.OUTPUT)
    for node in (table.PACK, table.SAMPLE):
        yield from values(f"{pack}/{node.id}", node.properties)
    for one, hole in (
        (table.cell(1), "c{cell}"),
        (table.temperature(1), "t{temperature}"),
    ):
        kind = "cells" if hole[0] == "c" else "temperatures"
        (made,) = values(f"{pack}/{kind}", (one,))
        name = one.name.removesuffix(" 1")
        yield made | channel(
            f"{pack}/{kind}/{hole}", one.about, payload(one),
            expires_s=VALUE_EXPIRES_S, title=name,
        )  # fmt: skip
    yield from values(f"{pack}/{{limit}}", table.FORETOLD)
    yield from values(f"{site}/{PAGES.id}", PAGES.properties)
    (summary,) = FLEET.properties
    yield channel(
        f"{site}/{FLEET.id}/{summary.id}", summary.about, payload(summary),
        expires_s=SUMMARY_EXPIRES_S, title=summary.name,
    )  # fmt: skip
    yield channel(
        "reply/{site}/history/{path}", "A page of the history, or why there is none.",
        {"$ref": "./schemas/page.json"},
        retain=False, expires_s=REPLY_EXPIRES_S, title="Page",
    )  # fmt: skip
    yield channel(
        "reply/{site}/{path}", "Answer to a command that asked for one here.",
        {"$ref": "./schemas/result.json"},
        retain=False, expires_s=REPLY_EXPIRES_S, title="Answer",
    )  # fmt: skip


def asyncapi() -> dict[str, Any]:
    """Return the whole document."""
    made, operations = dict[str, Any](), dict[str, Any]()
    for each in channels():
        key = re.sub(r"[^A-Za-z0-9]+", "-", each["address"].split("/5/")[-1]).strip("-")
        told = each.pop("x-operation")
        made[key] = each
        operations[f"{told['action']}-{key}"] = {
            "action": told["action"],
            "channel": {"$ref": f"#/channels/{key}"},
            "bindings": {"mqtt": told["mqtt"]},
        }
    limits = {"enum": [node.id for node in table.FORECASTS]}
    return {
        "asyncapi": "3.0.0",
        "info": {"title": "Tocsin", "version": __version__, "description": ABOUT},
        "servers": {
            "broker": {
                "host": "127.0.0.1:1883",
                "protocol": "mqtt",
                "protocolVersion": "5",
            }
        },
        "channels": made,
        "operations": operations,
        "components": {
            "parameters": {
                name: {"description": about, **(limits if name == "limit" else {})}
                for name, about in PARAMETERS.items()
            }
        },
    }


def topics(told: dict[str, Any]) -> str:
    """Return the documentation of an AsyncAPI document, in Markdown."""
    lines = [
        "# Topics",
        "",
        "Made from `asyncapi.json` by `python deploy/mqtt/document.py`; do not edit.",
        "",
        told["info"]["description"],
        "",
    ]
    for name, each in told["components"]["parameters"].items():
        words = f" One of {', '.join(each['enum'])}." if "enum" in each else ""
        lines.append(f"- `{{{name}}}`: {each['description']}{words}")
    titles = {"send": "What is published", "receive": "What may be asked"}
    for action, title in titles.items():
        lines += ["", f"## {title}", "", HEAD, "|---|---|---|---|"]
        for operation in told["operations"].values():
            if operation["action"] == action:
                key = operation["channel"]["$ref"].removeprefix("#/channels/")
                lines.append(_row(told["channels"][key], operation["bindings"]["mqtt"]))
    return "\n".join((*lines, *ENDING.splitlines(), ""))


HEAD = "| topic | payload | kept | what |"
ENDING = """
A value that is not known has no topic: what was there is removed with an empty payload.
Everything is sent with QoS 1. "kept 120 s" means retained, with that message expiry:
whoever subscribes later than that after the last refresh finds nothing. The broker
tells nobody at the moment of expiry; whoever listens on must keep a timer of their own
on `service/heartbeat` and each pack's `sampled-at`.

Two `$state` topics say whether a pack's values count: its own and the site's.

`events/event` is not retained and comes until the broker has acknowledged it, also what
happened while there was no broker, in order. `(epoch, seq)` names an event: one that
comes twice is the same. Numbers within an epoch grow by one; a gap is an event that
could not be stored. An epoch that ends in `-unstored` numbers what was sent without
being stored; it may come once more, under its stored name, when the disk is back.

Commands are obeyed only with `commands = true` under `[mqtt]` and MQTT 5. They must not
be retained, must bear an `id` that was not used in the last two minutes and the time
`at` within one minute of the daemon's clock, and come at most five times a minute for
each verb. What became of one is on `command/last`, in the journal, and, if the command
has an MQTT 5 response topic below `reply/<site>/`, there as well with its correlation
data. No command can energise a permit.

A site file with a `[fleet]` table has a second link, to the broker of a fleet, where
the site's id is the domain as well: `<site>/5/<site>/...`. Only `$state`,
`$description`, `events/event` and `fleet/summary` are published there, and no command
is obeyed. There an event that no subscriber takes counts as not sent. A request for a
page of the history is answered by one page; its `next_s` is where the next one begins.
At most 30 are given a minute."""


def _row(of: dict[str, Any], mqtt: dict[str, Any]) -> str:
    schema = of["messages"]["value"]["payload"]
    if "$ref" in schema:
        name = Path(schema["$ref"]).name
        said = f"[{name}](schemas/{name})"
    elif "enum" in schema:
        said = ", ".join(f"`{word}`" for word in schema["enum"])
    else:
        said = f"{schema.get('x-datatype', 'text')} {schema.get('x-unit', '')}".strip()
    kept = "no"
    if mqtt["retain"]:
        seconds = mqtt.get("messageExpiryInterval")
        kept = f"{seconds} s" if seconds else "yes"
    return f"| `{of['address']}` | {said} | {kept} | {of['description']} |"


def written() -> dict[Path, str]:
    """Return both files as they should be."""
    told = asyncapi()
    text = json.dumps(told, indent=1, ensure_ascii=False) + "\n"
    return {ASYNCAPI: text, TOPICS: topics(json.loads(text))}


def main() -> int:
    """Write or check the files; return the exit code."""
    code = 0
    for path, text in written().items():
        if "--check" not in sys.argv[1:]:
            path.write_text(text, encoding="utf-8")
        elif not path.exists() or path.read_text(encoding="utf-8") != text:
            print(f"{path} is out of date: python deploy/mqtt/document.py")  # noqa: T201
            code = 1
    return code


if __name__ == "__main__":
    sys.exit(main())
