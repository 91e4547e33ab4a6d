"""When certificates hold, and what that means in words. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

DAY_S = 86_400
WARN_DAYS = (60, 30, 7)
"""Days ahead at which the end is told; the rules of every preset have the same."""

_SEQUENCE, _INTEGER, _UTC_TIME, _TIME, _VERSION = 0x30, 0x02, 0x17, 0x18, 0xA0
_LONG = 0x80
_CENTURY_TURN = 50


class CertificateError(ValueError):
    """These bytes are no certificate."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Dates:
    """From when and until when a certificate holds, in seconds since 1970."""

    begins_s: int
    ends_s: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """A certificate and what it is, as in ``our certificate hut.crt``."""

    what: str
    dates: Dates

    def standing(self, at_s: float, *, is_clock_set: bool) -> str:
        """Return what is wrong with the dates at *at_s*, or soon will be; else ""."""
        begins, ends = (_day(s) for s in (self.dates.begins_s, self.dates.ends_s))
        if at_s < self.dates.begins_s:
            said = f"{self.what} is not yet valid: the clock says {_day(at_s)}; the "
            said += f"certificate starts {begins}: "
            if is_clock_set:
                return f"{said}make one that holds now"
            return f"{said}set the clock or wait for network time"
        if at_s > self.dates.ends_s:
            if is_clock_set:
                return f"{self.what} ended on {ends}: renew it"
            said = f"{self.what} ended on {ends}; the clock says {_day(at_s)}: "
            return f"{said}renew it, or set the clock if it is wrong"
        left_days = (self.dates.ends_s - at_s) / DAY_S
        if left_days > WARN_DAYS[0]:
            return ""
        return f"{self.what} ends on {ends}, in {_days(left_days)}: renew it"

    def until(self) -> str:
        """Return what it is and its last day."""
        return f"{self.what} holds until {_day(self.dates.ends_s)}"

    def is_valid(self, at_s: float) -> bool:
        """Return True if it holds at *at_s*, the first and last second included."""
        return self.dates.begins_s <= at_s <= self.dates.ends_s


def left_s(held: Held, at_s: float) -> float:
    """Return for how long it goes on to hold; nothing before it begins."""
    if at_s < held.dates.begins_s:
        return 0.0
    return held.dates.ends_s - at_s


def _days(count: float) -> str:
    if count < 1:
        return "less than a day"
    return f"{int(count)} day{'' if int(count) == 1 else 's'}"


def _day(at_s: float) -> str:
    moment = datetime.fromtimestamp(at_s, tz=UTC)
    return f"{moment.day} {moment:%B %Y}"


def dates_of(der: bytes) -> Dates:
    """Return the dates of a certificate in DER: RFC 5280, 4.1 and 4.1.2.5.

    Raises:
        CertificateError: it is none.
    """
    try:
        _, certificate, _ = _element(der, _SEQUENCE)
        _, signed, _ = _element(certificate, _SEQUENCE)
        rest = signed
        if signed[0] == _VERSION:
            _, _, rest = _element(rest, _VERSION)
        for kind in (_INTEGER, _SEQUENCE, _SEQUENCE):  # number, signature, issuer
            _, _, rest = _element(rest, kind)
        _, validity, _ = _element(rest, _SEQUENCE)
        kind, begins, rest = _element(validity)
        first = _moment_s(kind, begins)
        kind, ends, _ = _element(rest)
        return Dates(begins_s=first, ends_s=_moment_s(kind, ends))
    except (IndexError, ValueError, OverflowError) as exc:
        raise CertificateError(f"this is no certificate: {exc}") from exc


def _element(data: bytes, wanted: int | None = None) -> tuple[int, bytes, bytes]:
    """Return kind, content and what follows of the first element: X.690, 8.1."""
    kind, length, at = data[0], data[1], 2
    if wanted is not None and kind != wanted:
        raise CertificateError(f"{kind:#x} where {wanted:#x} belongs")
    if length >= _LONG:
        at += length - _LONG
        length = int.from_bytes(data[2:at], "big")
    end = at + length
    if end > len(data):
        raise CertificateError("it is cut short")
    return kind, data[at:end], data[end:]


def _moment_s(kind: int, text: bytes) -> int:
    """Return seconds since 1970: RFC 5280, 4.1.2.5.1 and 4.1.2.5.2."""
    if kind not in {_UTC_TIME, _TIME}:
        raise CertificateError(f"{kind:#x} is no time")
    said = text.decode("ascii")
    if kind == _UTC_TIME:
        said = ("19" if int(said[:2]) >= _CENTURY_TURN else "20") + said
    moment = datetime.strptime(said, "%Y%m%d%H%M%SZ").replace(tzinfo=UTC)
    return int(moment.timestamp())
