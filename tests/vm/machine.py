"""One virtual machine: starts it, talks to it, pulls its plug.

It is emulated (TCG): a ``/dev/kvm`` that exists need not work. Everything in it runs
some ten times slower than here, so whoever waits waits for a state and is patient.
There is no network in it at all.
"""

from __future__ import annotations

import json
import queue
import signal
import socket
import subprocess
import threading
import time
from contextlib import suppress
from typing import TYPE_CHECKING, Any, Self

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from pathlib import Path
    from types import TracebackType

    from tests.vm.build import Image

MEMORY_MB = 512
BOOT_S = 900.0
"""A boot takes 20 s on an idle machine, and this long at most on a busy one."""
ANSWER_S = 300.0
PORTS = ("ctl", "rpt")
POLL_S = 0.25


class MachineError(Exception):
    """The machine did not do what it was asked; has the end of its console."""


def arguments(
    image: Image, folder: Path, *, append: str = "", more: Sequence[str] = ()
) -> list[str]:
    """Return the command line of qemu; sockets and files lie in *folder*."""
    words = (
        f"console=ttyS0 root=/dev/vda rw panic=0 loglevel=4 mitigations=off {append}"
    )
    return [
        "qemu-system-x86_64",
        *("-nodefaults", "-no-user-config", "-display", "none", "-machine", "q35"),
        *("-accel", "tcg,thread=multi,tb-size=256", "-cpu", "max"),
        *("-smp", "1", "-m", str(MEMORY_MB), "-nic", "none"),
        *("-kernel", str(image.kernel), "-initrd", str(image.initrd)),
        *("-append", f"{words} systemd.show_status=0 random.trust_cpu=on"),
        *("-chardev", f"file,id=con,path={folder}/console.log,append=on"),
        *("-serial", "chardev:con"),
        *(
            "-drive",
            f"if=none,id=root,file={folder}/root.qcow2,format=qcow2,cache=unsafe",
        ),
        *("-device", "virtio-blk-pci,drive=root", "-device", "virtio-serial-pci"),
        *(
            word
            for name in PORTS
            for word in (
                "-chardev",
                f"socket,id={name},path={folder}/{name}.sock,server=on,wait=off",
                "-device",
                f"virtserialport,chardev={name},name=lab.{name}",
            )
        ),
        *("-device", "i6300esb", "-action", "watchdog=reset"),
        *("-qmp", f"unix:{folder}/qmp.sock,server=on,wait=off"),
        *more,
    ]


class Machine:
    """A running machine, for ``with``; at the end it is killed.

    Attributes:
        started_s: When qemu was started, by the host's clock.
        boot_id: Of the boot that answered last.
    """

    def __init__(
        self,
        image: Image,
        folder: Path,
        *,
        append: str = "",
        more: Sequence[str] = (),
        root: Path | None = None,
    ) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.folder = folder
        for name in (*PORTS, "qmp"):
            (folder / f"{name}.sock").unlink(missing_ok=True)
        (folder / "console.log").unlink(missing_ok=True)
        overlay = folder / "root.qcow2"
        if root is not None:
            subprocess.run(["cp", "--sparse=always", root, overlay], check=True)
        else:
            how = ("-q", "-f", "qcow2", "-F", "raw", "-b", str(image.disk))
            subprocess.run(["qemu-img", "create", *how, str(overlay)], check=True)
        self._command = arguments(image, folder, append=append, more=more)
        self.events: list[tuple[float, str]] = []
        self._answers: queue.Queue[Mapping[str, Any]] = queue.Queue()
        self.boot_id = ""

    def __enter__(self) -> Self:
        self.started_s = time.perf_counter()
        with (self.folder / "qemu.log").open("wb") as log:
            self._qemu = subprocess.Popen(
                self._command, stdin=subprocess.DEVNULL, stdout=log, stderr=log
            )
        try:
            self._qmp = self._connected("qmp")
            self._qmp_lines = self._qmp.makefile("rb")
            self._qmp_lines.readline()
            self._listening = threading.Thread(target=self._listen, daemon=True)
            self._listening.start()
            self.qmp("qmp_capabilities")
            self._ctl = self._connected("ctl")
            self._ctl_lines = self._ctl.makefile("rb")
            self.reports = self._connected("rpt")
        except BaseException:
            self.pull_plug()
            raise
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.pull_plug()
        for line in (self._qmp, self._ctl, self.reports):
            line.close()
        self._listening.join()

    def pull_plug(self) -> None:
        """Cut the power: SIGKILL, in the middle of whatever was being written."""
        if self._qemu.poll() is None:
            self._qemu.send_signal(signal.SIGKILL)
        self._qemu.wait()

    def _connected(self, name: str) -> socket.socket:
        path = self.folder / f"{name}.sock"
        for _ in range(1_200):
            line = socket.socket(socket.AF_UNIX)
            try:
                line.connect(str(path))
            except OSError:
                line.close()
                if self._qemu.poll() is not None:
                    break
                time.sleep(0.05)
            else:
                return line
        raise self.error(f"qemu has no {path.name}")

    def error(self, what: str) -> MachineError:
        """Return *what* went wrong, with the last lines of the console."""
        said = ""
        for name in ("qemu.log", "console.log"):
            with suppress(FileNotFoundError):
                said += (self.folder / name).read_text("utf-8", "replace")[-1_500:]
        return MachineError(f"{what}\n{said}")

    def _listen(self) -> None:
        """Sort what qemu says into events and answers, in a thread of its own."""
        with suppress(OSError, ValueError):
            for line in self._qmp_lines:
                said = json.loads(line)
                if "event" in said:
                    self.events.append((time.perf_counter(), said["event"]))
                else:
                    self._answers.put(said)

    def qmp(self, command: str, **arguments: Any) -> Any:
        """Have qemu itself do something and return what it answers."""
        asked = {"execute": command, "arguments": arguments}
        self._qmp.sendall(f"{json.dumps(asked)}\n".encode())
        answer = self._answers.get(timeout=ANSWER_S)
        if "error" in answer:
            raise self.error(f"qemu refuses {command}: {answer['error']}")
        return answer["return"]

    def ready(self, within_s: float = BOOT_S) -> None:
        """Wait until the machine has booted and its agent speaks.

        Raises:
            MachineError: it does not.
        """
        self._ctl.settimeout(within_s)
        while True:
            said = self._line()
            if "ready" in said:
                self.boot_id = said["boot_id"]
                return

    def _line(self) -> dict[str, Any]:
        try:
            line = self._ctl_lines.readline()
        except OSError as exc:
            raise self.error(f"the machine does not answer: {exc}") from exc
        if not line:
            raise self.error("the machine has gone")
        try:
            said: dict[str, Any] = json.loads(line)
        except ValueError:  # the end of what an earlier boot said
            return {}
        return said

    def _ask(self, asked: Mapping[str, Any], within_s: float) -> dict[str, Any]:
        self._ctl.settimeout(within_s)
        self._ctl.sendall(f"{json.dumps(asked)}\n".encode())
        while not (said := self._line()):
            continue
        if "ready" in said:
            again = "booted" if said["boot_id"] != self.boot_id else "started its agent"
            raise self.error(f"the machine {again} anew when asked {asked}")
        return said

    def sh(self, line: str, *, within_s: float = ANSWER_S) -> str:
        """Run a line of shell in the machine and return what it writes.

        Raises:
            MachineError: it fails.
        """
        said = self._ask({"sh": line, "timeout_s": within_s}, within_s + 60)
        if said["rc"]:
            raise self.error(f"rc {said['rc']} of {line}: {said['out'][-1_500:]}")
        return str(said["out"])

    def begin(self, line: str) -> int:
        """Start a program in the machine and return its process id."""
        return int(self._ask({"begin": line}, ANSWER_S)["out"])

    def tell(self, line: str) -> None:
        """Have a line of shell run that may leave nobody to answer."""
        self._ctl.sendall(f"{json.dumps({'begin': line})}\n".encode())

    def write(self, path: str, text: str) -> None:
        """Write a file in the machine, whole or not at all."""
        said = self._ask({"path": path, "text": text}, ANSWER_S)
        if said["rc"]:
            raise self.error(f"{path} cannot be written: {said['out']}")

    def until(
        self, what: str, done: Callable[[], bool], *, within_s: float = ANSWER_S
    ) -> float:
        """Wait until *done* says so and return how long it took, in s.

        Raises:
            MachineError: it never came; says *what* did not.
        """
        begun_s = time.perf_counter()
        while not done():
            if time.perf_counter() - begun_s > within_s:
                raise self.error(f"{what}: not within {within_s:g} s")
            time.sleep(POLL_S)
        return time.perf_counter() - begun_s

    def event(self, name: str, since: int, *, within_s: float) -> float:
        """Wait for an event of qemu's after the first *since*; return when it came."""
        found: list[float] = []

        def came() -> bool:
            found[:] = [at for at, what in self.events[since:] if what == name]
            return bool(found)

        self.until(f"event {name}", came, within_s=within_s)
        return found[0]
