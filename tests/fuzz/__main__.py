"""Random inputs for every decoder and loader: ``python -m tests.fuzz --help``."""

from __future__ import annotations

import argparse
import math
import resource
import signal
import sys
import tempfile
import time
from contextlib import nullcontext
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

from tests.fuzz.campaign import Result, Target, run
from tests.fuzz.guided import guided, reporting

with reporting() if "--guided" in sys.argv else nullcontext():
    from tests.fuzz.targets import TARGETS

COUNT = 1_000_000
EVERY_S = 60.0
MOST_MEMORY = 4 << 30
"""An input that wants more is a failure, and not the end of this machine."""
WIDTH = 20


def arguments() -> argparse.Namespace:
    """Return what was asked for."""
    rows = (f"  {n:{WIDTH}}{t.what}" for n, t in TARGETS.items())
    names = "\n".join(rows)
    parser = argparse.ArgumentParser(
        prog="python -m tests.fuzz",
        description=(
            "Spoils sound inputs of every decoder and loader, and judges what comes\n"
            "out: a possible value, or the documented error that says where and why.\n"
            "Exit code 0: nothing else came out, in time, memory flat; 1: it did\n"
            "(what showed it is kept, with the command that shows it again).\n"
            "Ctrl-C or SIGTERM ends it with its totals."
        ),
        epilog=f"targets:\n{names}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("target", nargs="*", help="all of them if none is named")
    parser.add_argument("--count", type=int, default=COUNT, help="inputs of each")
    parser.add_argument(
        "--seconds", type=float, default=math.inf, help="at most so long for each"
    )
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--input", type=Path, help="give one target this file alone")
    parser.add_argument(
        "--guided",
        action="store_true",
        help="let coverage guide it, of one target (needs: pip install atheris)",
    )
    args = parser.parse_args()
    if unknown := [name for name in args.target if name not in TARGETS]:
        parser.error(f"no target {unknown[0]}; one of {', '.join(TARGETS)}")
    if (args.input or args.guided) and len(args.target) != 1:
        parser.error("--input and --guided take one target")
    if args.count < 1:
        parser.error("--count is 1 or more")
    return args


def alone(target: Target, path: Path) -> int:
    """Give one input to *target* and say what came out."""
    with target.opened() as look:
        why = look(path.read_bytes())
    if why and not target.says.fullmatch(why):
        print(f"refused, but it does not say where and why: {why}")
        return 1
    print(f"refused: {why}" if why else "taken, and sound")
    return 0


class Watch:
    """Says how far it is: all the time on a terminal, else once in a while.

    SIGTERM or Ctrl-C ends the campaign with its totals.
    """

    def __init__(self) -> None:
        self.is_stopped = False
        self._said_s = time.perf_counter()
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, self._stop)

    def _stop(self, *_: object) -> None:
        self.is_stopped = True

    def progress(self, result: Result) -> bool:
        """Tell, and return whether to stop."""
        now_s = time.perf_counter()
        if sys.stderr.isatty():
            sys.stderr.write(f"\r{result}"[:100])
            sys.stderr.flush()
        elif now_s - self._said_s > EVERY_S:
            self._said_s = now_s
            print(f"{result}"[:100], file=sys.stderr, flush=True)
        return self.is_stopped


def told(result: Result, folder: Path) -> None:
    """Print what a campaign came to, and keep what showed a failure."""
    print(result, flush=True)
    slow = folder / f"{result.target.name}-slowest"
    slow.write_bytes(result.slowest[1])
    for number, failure in enumerate(result.failures.values(), start=1):
        path = folder / f"{result.target.name}-{number}"
        path.write_bytes(failure.data)
        print(f"  {failure.times} times: {failure.text}")
        print(f"    python -m tests.fuzz {result.target.name} --input {path}")


def main() -> int:
    """Run; return 1 if something was wrong."""
    args = arguments()
    wanted = [TARGETS[name] for name in args.target or TARGETS]
    if args.input:
        return alone(wanted[0], args.input)
    folder = Path(tempfile.mkdtemp(prefix="tocsin-fuzz-"))
    if args.guided:
        return guided(wanted[0], args.count, args.seed, folder)
    resource.setrlimit(resource.RLIMIT_AS, (MOST_MEMORY, MOST_MEMORY))
    troubles, watch = [], Watch()
    for target in wanted:
        result = run(target, args.count, args.seed, watch.progress, args.seconds)
        told(result, folder)
        troubles += [target.name] * bool(result.trouble)
        if watch.is_stopped:
            print("stopped as asked for")
            break
    print(f"slowest inputs and failures are in {folder}")
    print(f"NOT SOUND: {', '.join(troubles)}" if troubles else "sound")
    return 1 if troubles else 0


if __name__ == "__main__":
    sys.exit(main())
