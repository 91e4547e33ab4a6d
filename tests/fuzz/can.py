"""CAN: frames of any kind, a log of them, and the DBC text that says what they mean."""

from __future__ import annotations

import random
import re
import tempfile
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

import can
from tests.campaigns.can_frames import RVC_CALM, signal_map
from tests.fuzz import mutate
from tests.fuzz.campaign import Target, WrongError
from tests.fuzz.physical import judged

from can_made import HUT_DBC, hut, whole
from can_random import draw
from can_rvc_dbc import RVC_DBC
from tocsin.dbc import DbcError, read_dbc
from tocsin.ports import CanLine, DriverError
from tocsin.registers import PointRole
from tocsin.signals import MappedSignal, SignalMap
from tocsin_drivers.can import link as can_link
from tocsin_drivers.can.alarm_status import Speaker
from tocsin_drivers.can.buses import messages
from tocsin_drivers.can.dbc_codec import DbcListener
from tocsin_drivers.can.frames import EXTENDED, STANDARD, Frame
from tocsin_drivers.can.link import Link
from tocsin_drivers.can.rvc_reader import RvcListener
from tocsin_drivers.can.tally import Tally

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from random import Random

    from tests.fuzz.campaign import Look

    from tocsin.dbc import Dbc, DbcMessage
    from tocsin_drivers.can.ear import Ear
    from tocsin_drivers.can.frames import Listener

CELLS = 4

# --- frames -------------------------------------------------------------------------

IS_EXTENDED, IS_REMOTE, IS_ERROR, IS_FD = 1, 2, 4, 8
HEAD = 7
"""Bytes before the data of each frame: flags, identifier, length said, length."""

MOST_FRAMES = 64


def record(frame: Frame) -> bytes:
    """Return *frame* as this target's input has it."""
    size = len(frame.data)
    head = bytes((IS_EXTENDED * frame.is_extended,)) + frame.can_id.to_bytes(4)
    return head + bytes((size, size)) + frame.data


def frames_of(data: bytes) -> Iterator[can.Message]:
    """Yield the frames that *data* holds, as a bus hands them out."""
    at = 0
    for _ in range(MOST_FRAMES):
        if at + HEAD > len(data):
            return
        flags, dlc, size = data[at], data[at + 5], data[at + 6] % 65
        is_extended = bool(flags & IS_EXTENDED)
        can_id = int.from_bytes(data[at + 1 : at + 5])
        body = data[at + HEAD : at + HEAD + size]
        message = can.Message(
            arbitration_id=can_id & (EXTENDED if is_extended else STANDARD),
            is_extended_id=is_extended,
            is_remote_frame=bool(flags & IS_REMOTE),
            is_error_frame=bool(flags & IS_ERROR),
            is_fd=bool(flags & IS_FD),
            dlc=dlc % 65,
        )
        message.data = bytearray(body)
        yield message
        at += HEAD + size


def frame_corpus() -> list[bytes]:
    """Return what a DBC battery and an RV-C source say, each of them whole."""
    rvc = [Frame(can_id, bytes.fromhex(data)) for can_id, data in RVC_CALM]
    return [b"".join(map(record, each)) for each in (whole(), rvc, [*whole(), *rvc])]


def by_frames(chance: Random, data: bytes, others: Sequence[bytes]) -> bytes:
    """Spoil bytes of frames, mostly where they stand; so the next stays readable."""
    if chance.random() < 0.3:
        return mutate.by_bytes(chance, data, others)
    made = bytearray(data)
    for _ in range(chance.choice((1, 1, 2, 4))):
        if made:
            value = chance.choice((*mutate.EDGES, chance.randrange(256)))
            made[chance.randrange(len(made))] = value
    return bytes(made)


def _nothing(part: str, where: str, reason: str) -> None:
    """Hear what is wrong with the bus."""
    del part, where, reason


@contextmanager
def opened_frames() -> Iterator[Look]:
    """Take frames for three packs, a speaker and a scan, then read everything."""
    dbc, wanted = hut(), signal_map()
    clock = [0.0]
    before, can_link._now_s = can_link._now_s, lambda: clock[0]

    def look(data: bytes) -> str:
        clock[0] += 1_000.0
        link, tally = Link(CanLine(interface="virtual", channel="fuzz")), Tally()
        link.report_to(_nothing)
        listeners: tuple[Listener, ...] = (
            DbcListener(dbc, wanted, cells=CELLS),
            RvcListener(instance=1),
            RvcListener(instance=1, battery=2),
        )
        heard = [(each, link.admit(each)) for each in listeners]
        speaker = Speaker(name="fuzz", instance=1)
        voice = link.admit(speaker)
        speaker.begin(clock[0])
        is_scan = sum(data[:16]) % 4 == 0  # slow, so of every fourth input
        for number, message in enumerate(frames_of(data)):
            clock[0] += 0.001 if number % 4 else 0.2
            link._take(message, clock[0])
            if is_scan and not message.is_error_frame:
                _counted(tally, message, clock[0])
        speaker.due(voice.heard, clock[0])
        tally.identifiers()
        tally.batteries()
        return _first_trouble(heard, clock[0])

    try:
        yield look
    finally:
        can_link._now_s = before


def _counted(tally: Tally, message: can.Message, now_s: float) -> None:
    frame = Frame(
        message.arbitration_id,
        bytes(message.data),
        message.is_extended_id,
        is_remote=message.is_remote_frame,
        is_fd=message.is_fd,
    )
    tally.take(frame, now_s)


def _first_trouble(heard: list[tuple[Listener, Ear]], now_s: float) -> str:
    """Judge every reading; return why there is none, empty if any could be had."""
    troubles = []
    for listener, ear in heard:
        try:
            judged(listener.sample(ear.heard, now_s), CELLS)
        except DriverError as exc:
            troubles.append(str(exc))
    return troubles[0] if len(troubles) == len(heard) else ""


# --- DBC texts ----------------------------------------------------------------------


def dbc_corpus() -> list[bytes]:
    """Return the hut's DBC, that of RV-C, and drawn ones of every kind of signal."""
    chance = random.Random(11)
    drawn = [draw(chance).text for _ in range(12)]
    return [text.encode() for text in (HUT_DBC, RVC_DBC, EXTENDED_PAGES, *drawn)]


EXTENDED_PAGES = """\
VERSION ""

NS_ :

BS_:

BU_: Node

BO_ 2566852674 Paged: 8 Node
 SG_ Outer M : 0|4@1+ (1,0) [0|15] "" Vector__XXX
 SG_ Inner m1M : 4|4@1+ (1,0) [0|15] "" Vector__XXX
 SG_ Deep m2 : 8|16@1- (0.01,-5) [-100|100] "degC" Vector__XXX
 SG_ Flat m2 : 24|32@1- (1,0) [0|0] "V" Vector__XXX
 SG_ Word : 56|8@1+ (1,0) [0|255] "" Vector__XXX

CM_ SG_ 2566852674 Deep "How deep";
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 10000;
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_ "GenMsgCycleTime" BO_ 2566852674 500;
VAL_ 2566852674 Word 0 "no" 1 "yes" ;
SIG_VALTYPE_ 2566852674 Flat : 1;
SG_MUL_VAL_ 2566852674 Inner Outer 1-1;
SG_MUL_VAL_ 2566852674 Deep Inner 2-2, 4-5;
SG_MUL_VAL_ 2566852674 Flat Inner 3-3;
"""

MOST_MESSAGES = 6
PAYLOADS = tuple(random.Random(5).randbytes(8) for _ in range(6))
ROLES = (
    *(PointRole.VOLTAGE, PointRole.CURRENT, PointRole.SOC, PointRole.CHARGE_LIMIT),
    *(PointRole.LOW_CELL, PointRole.BEAT),
)


@contextmanager
def opened_dbc() -> Iterator[Look]:
    """Read the text, then decode frames with what it describes and take readings."""

    def look(data: bytes) -> str:
        try:
            dbc = read_dbc(data)
        except DbcError as exc:
            return str(exc)
        for message in list(dbc.messages.values())[:MOST_MESSAGES]:
            for payload in (*PAYLOADS, bytes(8), b"\xff" * 8, b"\x11", b""):
                message.decode(payload)
            _listened(dbc, message)
        return ""

    yield look


def _listened(dbc: Dbc, message: DbcMessage) -> None:
    """Take readings of a pack that is mapped to the message's first signals."""
    signals = [each for each in message.signals.values() if not each.pages]
    roles = list(zip(signals, ROLES, strict=False))
    if not roles or message.is_fd or message.length > 8:
        return
    made = SignalMap(
        signals=tuple(
            MappedSignal(message=message.name, signal=signal.name, role=role)
            for signal, role in roles
        )
    )
    listener = DbcListener(dbc, made, cells=CELLS)
    for number, payload in enumerate((*PAYLOADS, bytes(8))):
        link = Link(CanLine(interface="virtual", channel="fuzz"))
        ear = link.admit(listener)
        frame = Frame(message.can_id, payload, message.is_extended)
        ear.take(frame, float(number))
        try:
            judged(listener.sample(ear.heard, float(number)), CELLS)
        except DriverError:
            continue


# --- logs ---------------------------------------------------------------------------

LOG = """\
(1767000000.000000) can0 18FF1042#00CD0C38CD0C0000
(1767000000.010000) can0 18FF1042#01CE0C38CE0C0000
(1767000000.020000) can1 100#3005
(1767000000.500000) can0 100#R
(1767000001.000000) can0 123#R8
(1767000001.250000) can0 20000080#0000000000000000
(1767000001.500000) can0 19FFFD46##1017808 R
(1767000002.000000) can0 19FFFD46#01780801A8F53577 T
"""
DAMAGE = ("##", "#", "R", "9", "can0", "()", "(nan)", "(inf)", "(1e400)", "##0", "##F")


def log_corpus() -> list[bytes]:
    """Return a log of every kind of frame, and its lines one by one."""
    rows = LOG.splitlines(keepends=True)
    return [LOG.encode(), *(row.encode() for row in rows)]


def by_log(chance: Random, data: bytes, others: Sequence[bytes]) -> bytes:
    """Spoil the fields of a line, or the text as any text."""
    if chance.random() < 0.6:
        return mutate.by_text(chance, data, others)
    at = chance.randrange(len(data) + 1)
    cut = at + chance.choice((0, 1, 2, 8))
    return data[:at] + chance.choice(DAMAGE).encode() + data[cut:]


@contextmanager
def opened_log() -> Iterator[Look]:
    """Read the log as it is played, and take its frames as a bus does."""
    with tempfile.TemporaryDirectory(dir=memory_folder()) as name:
        path = Path(name) / "bus.log"
        dbc, wanted = hut(), signal_map()

        def look(data: bytes) -> str:
            path.write_bytes(data)
            link = Link(CanLine(interface="log", channel=str(path)))
            listener = DbcListener(dbc, wanted, cells=CELLS)
            ear = link.admit(listener)
            try:
                for message in messages(path):
                    _sound(message)
                    link._take(message, message.timestamp)
            except (ValueError, OSError) as exc:
                if isinstance(exc, UnicodeError):
                    raise
                return str(exc)
            with suppress(DriverError):  # a log need not be whole
                judged(listener.sample(ear.heard, 0.0), CELLS)
            return ""

        yield look


def _sound(message: can.Message) -> None:
    """See that a frame could have been on a bus at some time."""
    most = EXTENDED if message.is_extended_id or message.is_error_frame else STANDARD
    if not 0 <= message.arbitration_id <= most:
        raise WrongError(f"identifier {message.arbitration_id:X}")
    if not abs(message.timestamp) < 1e12:
        raise WrongError(f"a time of {message.timestamp}")


def memory_folder() -> str | None:
    """Return where files live in memory, if the machine has such a place."""
    return "/dev/shm" if Path("/dev/shm").is_dir() else None


TARGETS = (
    Target(
        name="can-frames",
        what="frames of any kind to DBC and RV-C packs, a speaker and a scan",
        corpus=frame_corpus,
        mutated=by_frames,
        opened=opened_frames,
        says=re.compile(r".*([A-Z][A-Za-z0-9_]+\.?|_v|_ma).*"),
    ),
    Target(
        name="dbc-text",
        what="DBC files, then frames decoded with what they describe",
        corpus=dbc_corpus,
        mutated=mutate.by_text,
        opened=opened_dbc,
        says=re.compile(r"is no DBC file: .{6,}|describes no messages|nested too .*"),
    ),
    Target(
        name="candump-log",
        what="logs of CAN frames, as they are played back",
        corpus=log_corpus,
        mutated=by_log,
        opened=opened_log,
        says=re.compile(r"(?s).+bus\.log:\d+: .+"),
    ),
)
