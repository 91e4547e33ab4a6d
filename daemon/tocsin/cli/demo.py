"""``tocsin demo``: the whole daemon on a simulated site, in time-lapse."""

from __future__ import annotations

import argparse
import asyncio
import sys
import tempfile
from collections import Counter, deque
from contextlib import AsyncExitStack, ExitStack, suppress
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rich.console import Console, Group
from rich.live import Live
from rich.panel import Panel
from rich.text import Text

from tocsin import app, installed
from tocsin.cli.broker import NoBrokerError, child_broker
from tocsin.cli.common import example, fail
from tocsin.cli.picture import WIDTH, save
from tocsin.cli.scene import scene
from tocsin.clock import SteppedClock, day_ms, iso_time
from tocsin.core.events import AlarmFact, NoteFact, OutputFact, SourceFact
from tocsin.core.forecast import Limit
from tocsin.journal import read
from tocsin.ports import PageSpec
from tocsin.show import show_json
from tocsin.wire import fact_json, fact_words
from tocsin_config import load

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.console import RenderableType

    from tocsin.core.engine import Outcome
    from tocsin.core.events import Fact
    from tocsin.core.site import Site
    from tocsin.rehearsal import BuildRehearsal, Rehearsal

EVENING = day_ms(2026, 1, 16) + 18 * 3_600_000
STORY_STEP_S = 10.0
SLOW_S = 300.0
"""For so long after something happened the story is told slowly."""
SLOWNESS = 8
FRAMES_PER_S = 6
KEPT_WORDS = 7

ABOUT = """\
A cold night and a sunny morning at Fern Ridge hut, 18:00 to 13:30: two simulated packs
answer over real Modbus TCP on loopback, the daemon reads them, decides, and moves
simulated outputs, which the simulated hut obeys. No hardware, no broker, no site file.
"""
EXAMPLES = """\
  tocsin demo                    about two minutes
  tocsin demo --seconds 30       faster, if the machine can
  tocsin demo --picture now.svg  keep a picture of the moment before the first shed
  tocsin demo --page 8460        watch it in a browser at http://127.0.0.1:8460/
  tocsin demo --mqtt             with a broker of its own to listen to
  tocsin demo --keep night       keep the site file and the journal in ./night, then
                                 look: tocsin journal night/site.toml --kind alarm
                                 and:  tocsin incident night/site.toml
While it runs, `tocsin show SITE` in another terminal sees it too; with --keep you know
where SITE is. The simulated outputs drive nothing.
"""
MQTT = """
[mqtt]
host = "127.0.0.1"
port = {port}
commands = true
"""
LISTEN = "In another terminal: mosquitto_sub -p {port} -v -t 'homie/5/#'"
INTRODUCTION = """\
Tocsin is not the protection. It stands above the battery's own, and only inhibits,
warns and asks. This is a simulation: outputs proved here prove nothing at a real site.
"""


def register(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "demo",
        help="a cold night at a simulated site, in about two minutes",
        description=ABOUT,
    )
    parser.add_argument(
        "--seconds",
        type=_seconds,
        default=120.0,
        metavar="N",
        help="about how long the story takes (default 120; 0: as fast as it goes)",
    )
    parser.add_argument(
        "--keep", type=Path, metavar="FOLDER", help="keep site file and journal there"
    )
    parser.add_argument(
        "--picture",
        type=Path,
        metavar="FILE.svg",
        help="save what it looks like while the low cut-off is near",
    )
    parser.add_argument(
        "--page",
        type=_page,
        metavar="PORT",
        help="serve the page for browsers on this port of the machine itself",
    )
    parser.add_argument(
        "--mqtt",
        action="store_true",
        help="publish to a broker of its own on loopback (needs mosquitto)",
    )
    parser.add_argument(
        "--plain", action="store_true", help="lines only, as when output is no terminal"
    )
    example(parser, EXAMPLES)
    parser.set_defaults(run=run)


def _seconds(text: str) -> float:
    with suppress(ValueError):
        if 0 <= (seconds := float(text)) <= 86_400:  # noqa: PLR2004 a day is enough
            return seconds
    raise argparse.ArgumentTypeError(f"{text!r} is no number of seconds from 0 on")


def _page(text: str) -> PageSpec:
    if text.isascii() and text.isdigit() and 0 < int(text) < 65_536:  # noqa: PLR2004 a port
        return PageSpec(port=int(text))
    raise argparse.ArgumentTypeError(f"{text!r} is no port number from 1 to 65535")


def run(args: argparse.Namespace) -> int:
    """Play the story, and return the exit code."""
    console = Console(highlight=False)
    is_live = console.is_terminal and not args.plain
    for text in (ABOUT, INTRODUCTION):
        console.print(" ".join(text.split()), end="\n\n")
    if args.keep is not None:
        try:
            args.keep.mkdir(parents=True)
        except OSError as exc:
            print(f"tocsin: {args.keep}: {exc.strerror}", file=sys.stderr)
            return 2
        return _played(args.keep, args, console, is_live=is_live)
    with tempfile.TemporaryDirectory(prefix="tocsin-demo-") as folder:
        return _played(Path(folder), args, console, is_live=is_live)


def _played(
    folder: Path, args: argparse.Namespace, console: Console, *, is_live: bool
) -> int:
    more = ""
    with ExitStack() as stack:
        if args.mqtt:
            try:
                port = stack.enter_context(child_broker(folder))
            except NoBrokerError as exc:
                fail(exc)
                return 1
            more = MQTT.format(port=port)
            console.print(LISTEN.format(port=port), end="\n\n")
        asyncio.run(_play(folder, args, console, is_live=is_live, more=more))
    return 0


async def _play(
    folder: Path,
    args: argparse.Namespace,
    console: Console,
    *,
    is_live: bool,
    more: str,
) -> None:
    build: BuildRehearsal = installed.found("tocsin.rehearsals", "fern-ridge").load()
    async with AsyncExitStack() as stack:
        hut = await stack.enter_async_context(build(folder))
        path = folder / "site.toml"
        path.write_text(hut.site_text + more, encoding="utf-8")
        setup = replace(load(path), page=args.page)
        if args.page is not None:
            console.print(f"The page: {args.page.url}\n")
        pace = Pace(hut.duration_s, args.seconds)
        time = SteppedClock(speed=pace.fast, start_wall_ms=EVENING)
        teller = Teller(hut, setup.site, time, pace, console, is_live=is_live)
        teller.picture = args.picture
        if is_live:
            teller.live = stack.enter_context(
                Live(console=console, auto_refresh=False, vertical_overflow="crop")
            )
        daemon = asyncio.create_task(app.serve(setup, time=time, guests=(teller,)))
        story = asyncio.create_task(_story(hut, time))
        try:
            await asyncio.wait({daemon, story}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in (story, daemon):
                task.cancel()
                with suppress(asyncio.CancelledError):
                    await task
    _sum_up(folder, console)


async def _story(hut: Rehearsal, time: SteppedClock) -> None:
    with time.member():
        at_s = 0.0
        while at_s < hut.duration_s:
            at_s += STORY_STEP_S
            await time.sleep_until(round(at_s * 1000))
            hut.advance(at_s)


class Pace:
    """How fast the story goes: slowly for a while after something happened."""

    def __init__(self, duration_s: float, seconds: float) -> None:
        self.fast = 1e9 if seconds == 0 else 1.6 * duration_s / seconds
        self.slow = self.fast if seconds == 0 else self.fast / SLOWNESS
        self._slow_until_ms = 0

    def happened(self, at_ms: int) -> None:
        """Slow down from now on."""
        self._slow_until_ms = at_ms + round(SLOW_S * 1000)

    def speed(self, at_ms: int) -> float:
        """Return how many times faster than real time to go now."""
        return self.slow if at_ms < self._slow_until_ms else self.fast


class Teller:
    """A guest of the daemon: the hut obeys its outputs, people read what it did."""

    def __init__(
        self,
        hut: Rehearsal,
        site: Site,
        time: SteppedClock,
        pace: Pace,
        console: Console,
        *,
        is_live: bool,
    ) -> None:
        self._hut = hut
        self._site = site
        self._time = time
        self._pace = pace
        self._console = console
        self._is_live = is_live
        self._words: deque[Text] = deque(maxlen=KEPT_WORDS)
        self._scene_told = ""
        self._drawn_s = 0.0
        self.live: Live | None = None
        self.picture: Path | None = None

    def tell(self, facts: Sequence[Fact]) -> None:
        """Say what became true, and go slowly so that it can be read."""
        for fact in facts:
            if not isinstance(fact, AlarmFact | OutputFact | SourceFact | NoteFact):
                continue
            at = iso_time(EVENING + fact.at_ms)[11:16]
            self._say(Text(f"{at} {fact_words(fact_json(fact))}", style=_style(fact)))
            if isinstance(fact, AlarmFact | OutputFact):
                self._pace.happened(fact.at_ms)

    def stepped(self, outcome: Outcome) -> None:
        """Let the hut follow, and draw it now and then."""
        self._hut.follow({d.output: d.energised for d in outcome.demands})
        now_ms = outcome.state.now_ms
        self._time.speed = self._pace.speed(now_ms)
        narration = self._hut.narrate(now_ms / 1000)
        self._tell_scene(narration)
        if self.picture is not None and self._is_worth_a_picture(outcome):
            save(self.picture, self._picture(outcome, narration))
            self.picture = None
        if self.live is None:
            return
        now_s = asyncio.get_running_loop().time()
        if now_s - self._drawn_s >= 1 / FRAMES_PER_S:
            self._drawn_s = now_s
            self._draw(outcome, narration)

    def _tell_scene(self, narration: str) -> None:
        """Where nothing can be drawn, say each new scene once."""
        what = narration[6:].split(";", maxsplit=1)[0]
        if not self._is_live and what != self._scene_told:
            self._scene_told = what
            self._say(Text(narration, style="bold"))

    def _say(self, words: Text) -> None:
        if not self._is_live:
            self._console.print(words, soft_wrap=True)
        words = words.copy()
        width = self._console.width if self._is_live else WIDTH
        words.truncate(width - 4, overflow="ellipsis")
        self._words.append(words)

    def _is_worth_a_picture(self, outcome: Outcome) -> bool:
        """Return True while the low cut-off is nearer than most of the lead."""
        return any(
            told.limit is Limit.LOW
            and told.likely_ms is not None
            and told.likely_ms < 0.75 * self._site.lead_ms
            for pack in outcome.state.packs
            for told in pack.foretold()
        )

    def _picture(self, outcome: Outcome, narration: str) -> RenderableType:
        show: dict[str, Any] = show_json(
            outcome, self._site, wall_ms=self._time.wall_ms()
        )
        told = Panel(
            Group(*self._words), title="what happened", title_align="left",
            border_style="dim",
        )  # fmt: skip
        return Group(Text(narration, style="bold"), told, scene(show, self._site))

    def _draw(self, outcome: Outcome, narration: str) -> None:
        if self.live is not None:
            self.live.update(self._picture(outcome, narration), refresh=True)


def _style(fact: Fact) -> str:
    match fact:
        case AlarmFact(state="unacknowledged"):
            return {"high": "bold red", "medium": "yellow"}.get(fact.priority, "cyan")
        case OutputFact():
            return "green" if fact.energised is fact.role.is_permit else "yellow"
        case _:
            return "default"


def _sum_up(folder: Path, console: Console) -> None:
    """Print what the journal holds: how much, and the night in order."""
    rows = list(read(folder))
    counts = Counter(row.kind for row in rows)
    held = ", ".join(f"{count} {kind}" for kind, count in sorted(counts.items()))
    console.print(f"\nThe journal holds {len(rows)} rows: {held}.")
