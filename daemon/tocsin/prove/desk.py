"""What every step needs at hand: the site, the person, the daemon, the record."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from tocsin import control
from tocsin.clock import iso_time, stopwatch_s, wall_ms
from tocsin.control import ControlError
from tocsin.core.levels import WAITS
from tocsin.prove import progress
from tocsin.prove.person import StoppedError
from tocsin.prove.plan import output_of, return_ms
from tocsin.prove.records import Result, Verdict

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from tocsin.prove.person import Person
    from tocsin.prove.plan import Item
    from tocsin.prove.records import Record
    from tocsin_config import Setup

LOOK_S = 0.5
MARGIN_S = 15.0


@dataclass(slots=True)
class Desk:
    """One proof test at work.

    Attributes:
        pins: Milliseconds to the pin, by (output, rule), of all that moved in this run.
    """

    setup: Setup
    person: Person
    record: Record
    pins: dict[tuple[str, str], int] = field(default_factory=dict)

    @property
    def path(self) -> Path:
        """Return where the daemon listens."""
        return control.socket_path(self.setup.journal_folder)

    def show(self) -> dict[str, Any]:
        """Return what the daemon sees now.

        Raises:
            ControlError: nobody answers, or nothing was seen yet.
        """
        said = control.ask(self.path, {"do": "show"})
        if not said.get("ok"):
            raise ControlError(str(said.get("why", "no answer")))
        shown: dict[str, Any] = said["show"]
        return shown

    def output(self, name: str) -> dict[str, Any]:
        """Return what the daemon says of one output."""
        return next(each for each in self.show()["outputs"] if each["output"] == name)

    def save(self) -> None:
        """Keep what was done so far."""
        self.record.ended_ms = wall_ms()
        progress.save(self.setup.journal_folder, self.record)

    def result(self, item: Item, **more: Any) -> Result:  # noqa: ANN401 fields of Result
        """Return the beginning of a result of *item*."""
        made = Result(
            item=item.name,
            kind=item.kind,
            output=item.output,
            rule=item.rule,
            subject=item.subject,
            at=iso_time(wall_ms()),
            **more,
        )
        if item.output:
            pins = {pin.output: pin.pin or "" for pin in self.setup.pins}
            made.role = output_of(self.setup.site, item.output).role.value
            made.pin = pins[item.output]
        return made

    def effect_of(self, output: str) -> Result | None:
        """Return where the effect of *output* was seen, or not, already."""
        return next(
            (
                result
                for result in reversed(self.record.results)
                if result.output == output
                and result.kind == "rule"
                and result.effect_verdict is not Verdict.UNTESTED
            ),
            None,
        )

    def watch(
        self,
        seconds: float,
        is_done: Callable[[], bool],
        words: str,
        *,
        may_skip: bool = True,
    ) -> float | None:
        """Return how many seconds it took until *is_done*, or None if it did not.

        The person sees how long it may still take, and may type s to go on without.
        """
        began_s = stopwatch_s()
        person = self.person
        if may_skip and person.is_there:
            person.say(f"{words} (s skips, q stops)")
        while not is_done():
            passed_s = stopwatch_s() - began_s
            if passed_s >= seconds:
                return None
            person.status(f"{words}: {seconds - passed_s:.0f} s left ")
            key = (person.wait(LOOK_S) or "").strip().lower()[:1]
            if key == "q":
                raise StoppedError
            if key == "s" and may_skip:
                return None
        return stopwatch_s() - began_s

    def at_rest(self, name: str) -> str:
        """Wait until an output is as in normal service; return why not, if so."""
        is_permit = output_of(self.setup.site, name).role.is_permit

        def rests() -> bool:
            return bool(self.output(name)["energised"]) is is_permit

        if rests():
            return ""
        if not self._is_meant(name):
            minimum_s = output_of(self.setup.site, name).min_on_ms / 1000
            wait_s = return_ms(self.setup.site) / 1000 + minimum_s + MARGIN_S
            if self.watch(wait_s, rests, f"{name} comes back to rest") is not None:
                return ""
        because = ", ".join(self.output(name)["because"]) or "no reason given"
        return f"{name} is not in normal service: {because}"

    def _is_meant(self, name: str) -> bool:
        """Return True if a real alarm holds the output, which waiting will not end."""
        output = self.output(name)
        return not output.get("proving") and not WAITS.issuperset(output["because"])


def level_words(output: dict[str, Any]) -> str:
    """Return an output's level as people say it."""
    word = "energised" if output["energised"] else "de-energised"
    why = f" ({', '.join(output['because'])})" if output["because"] else ""
    return f"{word}{why}"
