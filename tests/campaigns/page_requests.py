"""Odd requests of every kind, made from the page's own OpenAPI document.

    python -m tests.campaigns.page_requests     # 50 examples an operation
    python -m tests.campaigns.page_requests --examples 1000

Every answer must have a status below 500 (503, "not now", is allowed where the document
says so), the promised headers, and a body that fits the document; no command may reach
the journal from someone without a session. Exit code 0: all of it held.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections import Counter
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from schemathesis.core.result import Ok
from schemathesis.generation import GenerationMode

from page_stage import Served, daemon
from tocsin.page.guard import HEADERS

STREAM = "/api/stream"
TIMEOUT_S = 20.0


def fuzzed(stage: Served, examples: int, session: dict[str, str]) -> Counter[str]:
    """Send *examples* requests an operation, good and bad; count the answers."""
    _, _, told = stage.ask("GET", "/api/openapi.json")
    schema = schemathesis.openapi.from_dict(told)
    seen: Counter[str] = Counter()
    headers = {name.replace("_", "-"): text for name, text in session.items()}
    for result in schema.get_all_operations():
        assert isinstance(result, Ok), result
        operation = result.ok()
        if operation.path in {STREAM, "/api/sign-out"}:
            continue  # one has no end; the other would end the session
        cases = st.one_of(
            *(operation.as_strategy(generation_mode=mode) for mode in GenerationMode)
        )

        @settings(
            max_examples=examples,
            deadline=None,
            database=None,
            derandomize=True,
            phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
        )
        @given(case=cases)
        def holds(case: schemathesis.Case[Any]) -> None:
            answer = case.call(
                base_url=stage.url, headers=headers or None, timeout=TIMEOUT_S
            )
            seen[f"{case.method} {case.path} {answer.status_code}"] += 1
            assert answer.status_code < 500 or answer.status_code == 503, answer.text
            for name, text in HEADERS.items():
                got = answer.headers.get(name.lower())
                assert got == [text], (case.path, answer.status_code, name, got)
            documented = case.operation.definition.raw["responses"]
            if str(answer.status_code) in documented:
                case.operation.validate_response(answer)
            else:  # 405 is no operation's own, 404 no path of the document
                assert answer.status_code in {404, 405}, (case.path, answer.status_code)
            if not session and case.path == "/api/act":
                assert answer.status_code in {401, 403, 404, 405, 413}

        holds()
    return seen


def commands(stage: Served) -> int:
    """Return how many commands the journal holds, as far as one page of it."""
    _, _, told = stage.ask("GET", "/api/journal?kind=command&last=200")
    return len(told["rows"])


def campaign(folder: Path, examples: int) -> Counter[str]:
    """Run it against a daemon of its own, without and with a session."""
    with daemon(folder) as stage:
        stage.online()
        session = stage.signed_in()  # before wrong tokens make us wait
        before = commands(stage)
        seen = fuzzed(stage, examples, {})
        assert commands(stage) == before, "a command was obeyed without a session"
        seen += fuzzed(stage, examples, session)
        stage.online()
    return seen


def main() -> int:
    """Run the campaign and print what came back."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--examples", type=int, default=50)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        seen = campaign(Path(folder), args.examples)
    for answer, count in sorted(seen.items()):
        print(f"{count:6} {answer}")
    print(f"{sum(seen.values())} requests: no fault, no action without a token")
    return 0


if __name__ == "__main__":
    sys.exit(main())
