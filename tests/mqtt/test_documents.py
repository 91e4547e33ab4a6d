"""The shipped documents: valid, up to date, and about what is really published."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path

import jsonschema

from asyncapi import channels, document
from tocsin.mqtt import properties as table
from tocsin.mqtt.properties import command_schema
from tocsin.mqtt.uplink_nodes import page_schema

ROOT = Path(__file__).parents[2]
SHIPPED = ROOT / "deploy/mqtt"
META = Path(__file__).parent / "data/asyncapi-3.0.0.json"
"""AsyncAPI 3.0.0's own JSON Schema (asyncapi.com, Apache-2.0), without blanks."""


def test_the_document_is_valid_asyncapi() -> None:
    meta = jsonschema.Draft7Validator(json.loads(META.read_text()))
    assert [error.message for error in meta.iter_errors(document())] == []
    wrong = json.loads(json.dumps(document()))
    operation = next(iter(wrong["operations"].values()))
    operation["bindings"]["mqtt"]["qos"] = 5
    assert not meta.is_valid(wrong), "the check can fail"


def test_the_files_are_as_the_table_of_values_has_them() -> None:
    command = [sys.executable, str(SHIPPED / "document.py"), "--check"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout) == (0, "")


def test_every_schema_is_a_schema_and_is_used() -> None:
    files = sorted((SHIPPED / "schemas").glob("*.json"))
    for file in files:
        jsonschema.Draft7Validator.check_schema(json.loads(file.read_text()))
    used = re.findall(r"\./schemas/(\w+)\.json", json.dumps(document()))
    assert {file.stem for file in files} == set(used)


def test_the_schema_of_a_command_is_the_one_that_the_daemon_goes_by() -> None:
    told = json.loads((SHIPPED / "schemas/command.json").read_text())
    del told["properties"]["at"]["pattern"]
    assert {key: told[key] for key in command_schema()} == command_schema()


def test_the_schema_of_a_request_for_a_page_is_the_one_that_the_daemon_goes_by() -> (
    None
):
    told = json.loads((SHIPPED / "schemas/page_request.json").read_text())
    assert {key: told[key] for key in page_schema()} == page_schema()


def test_every_value_has_a_channel_and_a_line_in_the_documentation() -> None:
    topics = (SHIPPED / "TOPICS.md").read_text()
    nodes = (table.SERVICE, table.ALARM, table.BANK, table.EVENTS, table.COMMAND)
    values = [(node.id, each) for node in nodes for each in node.properties]
    values += [(table.PACK.id, each) for each in table.PACK.properties]
    for node, each in values:
        address = f"/{node}/{each.id}{'/set' if each.is_settable else ''}"
        assert [one.key for one in channels() if one.pattern.pattern.endswith(
            re.escape(address)
        )], address  # fmt: skip
        assert f"{address}`" in topics
