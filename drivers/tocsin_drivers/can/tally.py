"""Who says what on a bus that nobody has described yet. Pure.

RV-C is known by its identifiers; everything else is counted by identifier, with the
bytes that change. What is kept is bounded, whatever comes.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from tocsin.ports import DriverError
from tocsin.sightings import Battery, Identifier, rate_words
from tocsin_drivers.can import rvc_frames as rvc
from tocsin_drivers.can.ear import Ear
from tocsin_drivers.can.rvc_reader import BATTERY_DGNS, RvcListener

if TYPE_CHECKING:
    from collections.abc import Hashable, Mapping

    from tocsin.core.model import Sample
    from tocsin_drivers.can.frames import Frame, Heard

MOST_IDENTIFIERS = 4_096
MOST_SPEAKERS = 64
"""RV-C sources and batteries, and those who speak for one of them."""

OTHERS = {rvc.REQUEST: "REQUEST", rvc.ADDRESS_CLAIMED: "ADDRESS_CLAIMED"}
SOURCE_DGNS = frozenset(
    {rvc.DC_1, rvc.DC_2, rvc.DC_3, rvc.DC_4, rvc.DC_5, rvc.DC_6, rvc.DC_11}
)
INSTANCES = range(1, 251)
STARTER = 2

# RV-C specification 6.5.2, as read in public transcriptions of it.
INSTANCE_WORDS = {
    1: "main house battery",
    STARTER: "chassis or starter battery",
    3: "secondary house battery",
}
PRIORITY_WORDS = {
    120: "a battery that counts its charge",
    100: "an inverter/charger",
    80: "a charger",
    60: "an inverter",
    40: "a meter of voltage and current",
    20: "a voltmeter",
}


@dataclass(slots=True)
class _Count:
    """How often something came, and when."""

    first_s: float
    last_s: float
    frames: int = 1

    def again(self, now_s: float) -> None:
        self.frames += 1
        self.last_s = now_s

    @property
    def rate_hz(self) -> float | None:
        """Return frames a second; None for one frame, or all at one moment."""
        passed_s = self.last_s - self.first_s
        if self.frames == 1 or passed_s <= 0:
            return None
        return (self.frames - 1) / passed_s


@dataclass(slots=True)
class _Bytes:
    """What one identifier's payload looks like."""

    newest: bytes
    lengths: set[int]
    longest: bytearray
    changed: set[int] = field(default_factory=set)

    def take(self, data: bytes) -> None:
        self.lengths.add(len(data))
        shared = zip(data, self.newest, strict=False)
        self.changed |= {i for i, (new, old) in enumerate(shared) if new != old}
        self.longest[: len(data)] = data
        self.newest = data

    @property
    def pattern(self) -> str:
        return " ".join(
            "**" if i in self.changed else f"{byte:02X}"
            for i, byte in enumerate(self.longest)
        )


@dataclass(slots=True)
class _Speaker:
    """An RV-C DC source or battery, whoever speaks for it."""

    listener: RvcListener
    ear: Ear
    counts: dict[tuple[int, int, int], _Count] = field(default_factory=dict)


class Tally:
    """Everything that was heard on a bus.

    Attributes:
        frames: Data and remote frames that came.
        dropped: How many of them had an identifier that is not kept.
    """

    def __init__(self) -> None:
        self.frames = 0
        self.dropped = 0
        self._oldest_s: float | None = None
        self._newest_s = 0.0
        self._counts: dict[tuple[bool, int], _Count] = {}
        self._bytes: dict[tuple[bool, int], _Bytes] = {}
        self._speakers: dict[tuple[int, int | None], _Speaker] = {}

    def take(self, frame: Frame, now_s: float) -> None:
        """Count *frame*, no error frame, which came at *now_s*."""
        self.frames += 1
        self._newest_s = now_s
        if self._oldest_s is None:
            self._oldest_s = now_s
        self._take_bytes(frame, now_s)
        if frame.is_extended and frame.is_data and not frame.is_fd:
            self._take_rvc(frame, now_s)

    @property
    def span_s(self) -> float:
        """Return the time from the first frame to the last."""
        return 0.0 if self._oldest_s is None else self._newest_s - self._oldest_s

    def _take_bytes(self, frame: Frame, now_s: float) -> None:
        key = frame.is_extended, frame.can_id
        if key in self._counts:
            self._counts[key].again(now_s)
            self._bytes[key].take(frame.data)
        elif len(self._counts) < MOST_IDENTIFIERS:
            self._counts[key] = _Count(now_s, now_s)
            size = {len(frame.data)}
            self._bytes[key] = _Bytes(frame.data, size, bytearray(frame.data))
        else:
            self.dropped += 1

    def _take_rvc(self, frame: Frame, now_s: float) -> None:
        dgn = rvc.dgn_of(frame.can_id)
        key = _speaker_of(dgn, frame.data)
        if key is None:
            return
        speaker = self._speakers.get(key)
        if speaker is None:
            if len(self._speakers) >= MOST_SPEAKERS:
                return
            instance, battery = key
            listener = RvcListener(instance=instance, battery=battery)
            speaker = self._speakers[key] = _Speaker(listener, Ear(listener))
        speaker.ear.take(frame, now_s)
        priority = frame.data[1] if dgn in SOURCE_DGNS else 0
        said = dgn, priority, rvc.source_of(frame.can_id)
        if said in speaker.counts:
            speaker.counts[said].again(now_s)
        elif len(speaker.counts) < MOST_SPEAKERS:
            speaker.counts[said] = _Count(now_s, now_s)

    def identifiers(self) -> tuple[Identifier, ...]:
        """Return what came, by identifier; standard ones first."""
        return tuple(
            Identifier(
                can_id=can_id,
                is_extended=is_extended,
                frames=count.frames,
                rate_hz=count.rate_hz,
                lengths=tuple(sorted(self._bytes[is_extended, can_id].lengths)),
                pattern=self._bytes[is_extended, can_id].pattern,
                known=_known(can_id) if is_extended else "",
                hint=_hint(can_id) if is_extended else "",
            )
            for (is_extended, can_id), count in sorted(self._counts.items())
        )

    def batteries(self) -> tuple[Battery, ...]:
        """Return every RV-C DC source, and every battery, that was heard."""
        whole = {
            instance
            for (instance, battery), speaker in self._speakers.items()
            if battery is None and self._sample(speaker)[0] is not None
        }
        return tuple(
            self._battery(instance, battery, speaker, whole)
            for (instance, battery), speaker in sorted(
                self._speakers.items(), key=lambda item: (item[0][0], item[0][1] or 0)
            )
        )

    def _sample(self, speaker: _Speaker) -> tuple[Sample | None, str]:
        """Return the reading that its newest messages make, or why there is none."""
        try:
            return speaker.listener.sample(speaker.ear.heard, self._newest_s), ""
        except DriverError as exc:
            return None, str(exc)

    def _battery(
        self, instance: int, battery: int | None, speaker: _Speaker, whole: set[int]
    ) -> Battery:
        sample, trouble = self._sample(speaker)
        words = INSTANCE_WORDS.get(instance)
        title = f"RV-C DC source {instance}" + (f", {words}" if words else "")
        name, aside = f"dc-{instance}", ""
        if battery is not None:
            title = f"RV-C battery {battery} of DC source {instance}"
            name = f"dc-{instance}-battery-{battery}"
            if instance in whole:
                aside = f"a part of DC source {instance}, which is heard whole"
        if instance == STARTER:
            aside = "a chassis or starter battery, not of the house bank"
        volts = None if sample is None else sample.voltage_mv
        return Battery(
            driver="rv-c",
            name=name,
            title=title,
            told=(*_values(sample), *_speakers(speaker), *_messages(speaker)),
            instance=instance,
            battery=battery,
            capacity_ah=_capacity_ah(speaker.ear.heard),
            voltage_v=None if volts is None else volts / 1000,
            trouble=trouble,
            aside=aside,
        )


def _speaker_of(dgn: int, data: bytes) -> tuple[int, int | None] | None:
    """Return DC instance and battery instance that a message speaks of."""
    if len(data) <= 1 or not (dgn in SOURCE_DGNS or dgn in BATTERY_DGNS):
        return None
    if data[0] not in INSTANCES:
        return None
    if dgn in SOURCE_DGNS:
        return data[0], None
    return (data[1], data[0]) if data[1] in INSTANCES else None


def _known(can_id: int) -> str:
    dgn = rvc.dgn_of(can_id)
    name = rvc.NAMES.get(dgn) or OTHERS.get(dgn)
    return f"{name} from {rvc.source_of(can_id):02X}h" if name else ""


def _hint(can_id: int) -> str:
    dgn, source = rvc.dgn_of(can_id), rvc.source_of(can_id)
    return f"DGN {dgn:05X} from {source:02X}h, if it is RV-C"


def _values(sample: Sample | None) -> tuple[tuple[str, str], ...]:
    if sample is None or sample.voltage_mv is None or sample.current_ma is None:
        return ()
    volts, amps = sample.voltage_mv / 1000, sample.current_ma / 1000
    said = [f"{volts:.2f} V", f"{amps:+.1f} A (+ is charging)"]
    if sample.soc_permille is not None:
        said.append(f"{sample.soc_permille / 10:.0f} % charged")
    said += [f"{temp_dc / 10:.1f} degC" for temp_dc in sample.temps_dc]
    return (("now", ", ".join(said)), ("flags", _flags(sample)))


def _flags(sample: Sample) -> str:
    return ", ".join(sorted(flag.value for flag in sample.flags)) or "none"


def _speakers(speaker: _Speaker) -> tuple[tuple[str, str], ...]:
    """Return who speaks, and as what."""
    said = {(source, level) for _, level, source in speaker.counts}
    return tuple(
        (f"from {source:02X}h", _rank(level)) for source, level in sorted(said)
    )


def _rank(priority: int) -> str:
    if not priority:
        return "a battery"
    words = PRIORITY_WORDS.get(priority)
    return f"priority {priority}" + (f", {words}" if words else "")


def _messages(speaker: _Speaker) -> tuple[tuple[str, str], ...]:
    return tuple(
        (rvc.NAMES[dgn], f"{rate_words(count.rate_hz)} from {source:02X}h")
        for (dgn, _, source), count in sorted(
            speaker.counts.items(), key=lambda item: (-item[0][0], item[0][1:])
        )
    )


def _capacity_ah(heard: Mapping[Hashable, Heard]) -> float | None:
    for came in heard.values():
        dgn = rvc.dgn_of(came.frame.can_id)
        if dgn in {rvc.DC_11, rvc.BATTERY_11}:
            value = rvc.decode(dgn, came.frame.data)["full_capacity_ah"]
            if value:
                return float(value)
    return None
