"""What is published to a fleet beside events: rows like those of `properties`. Pure."""

from __future__ import annotations

from typing import Any

from tocsin.mqtt.properties import OBJECT, Datatype, Node, Property

ROWS_STEP_S = 60
LONGEST_STEP_S = 86_400


def page_schema() -> dict[str, Any]:
    """Return the JSON Schema of a request for a page."""
    time = {"type": "number", "minimum": 0, "maximum": 1e11}
    return {
        "type": "object",
        "required": ["from_s", "to_s"],
        "additionalProperties": False,
        "properties": {
            "from_s": time,
            "to_s": time,
            "step_s": {"type": "number", "minimum": 0, "maximum": LONGEST_STEP_S},
        },
    }


FLEET = Node(
    id="fleet",
    name="Fleet",
    properties=(
        Property(
            id="summary", name="The site in short",
            about="What decides: minutes left, raised alarms, packs, outputs, when the "
            "next proof test is due. Once a minute, on the link to a fleet only.",
            datatype=Datatype.JSON, format=OBJECT,
        ),
    ),
)  # fmt: skip
PAGES = Node(
    id="history",
    name="History",
    properties=(
        Property(
            id="request", name="A page of the history",
            about="One request, one page, on the request's response topic below "
            "`reply/<site>/history/`. On the link to a fleet only, and only with "
            "`history = true`.",
            datatype=Datatype.JSON, format=OBJECT, is_settable=True, is_retained=False,
        ),
    ),
)  # fmt: skip
