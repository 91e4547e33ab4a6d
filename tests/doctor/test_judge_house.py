"""What is said of journal, broker, secrets, certificates and software."""

from __future__ import annotations

from dataclasses import replace

import pytest

from doctor_stage import DAEMON, NOW_MS, complete, device
from tocsin.certificates import DAY_S, Dates, Held
from tocsin.doctor import State
from tocsin.doctor.judge_house import (
    judge_broker,
    judge_certificate,
    judge_journal,
    judge_secret,
    judge_software,
)
from tocsin.doctor.seen import (
    BrokerSeen,
    CertificateSeen,
    JournalSeen,
    Kind,
    PackageSeen,
    SecretSeen,
    SoftwareSeen,
)

GOOD, DOUBTFUL, WRONG, UNTOLD = State.GOOD, State.DOUBTFUL, State.WRONG, State.UNTOLD

JOURNAL = JournalSeen(path="j", is_there=True, is_checked=True, rows=7)


@pytest.mark.parametrize(
    ("changes", "state"),
    [
        ({}, GOOD),
        ({"is_there": False}, UNTOLD),
        ({"is_checked": False, "trouble": "not for us"}, UNTOLD),
        ({"trouble": "its own check finds: row 3 missing"}, WRONG),
    ],
)
def test_a_journal_is_good_only_if_its_own_check_says_so(
    changes: dict[str, object], state: State
) -> None:
    (only,) = complete(judge_journal(replace(JOURNAL, **changes)))  # type: ignore[arg-type]
    assert only.state is state


def test_journals_that_were_set_aside_are_told() -> None:
    _, aside = complete(judge_journal(replace(JOURNAL, damaged=1)))
    assert aside.state is DOUBTFUL


@pytest.mark.parametrize(("trouble", "state"), [("", GOOD), ("refused", WRONG)])
def test_a_broker_must_accept_the_account(trouble: str, state: State) -> None:
    (only,) = complete(
        judge_broker(BrokerSeen(table="mqtt", place="h:1", trouble=trouble))
    )
    assert only.state is state


@pytest.mark.parametrize(
    ("left_s", "state"),
    [
        (-1, WRONG),
        (0, DOUBTFUL),  # its last second: RFC 5280, 4.1.2.5, the end is included
        (1, DOUBTFUL),
        (60 * DAY_S - 1, DOUBTFUL),
        (60 * DAY_S, DOUBTFUL),
        (60 * DAY_S + 1, GOOD),
    ],
)
def test_the_end_of_a_certificate_is_told_sixty_days_before(
    left_s: int, state: State
) -> None:
    ends_s = NOW_MS // 1_000 + left_s
    held = Held(what="our certificate c", dates=Dates(begins_s=0, ends_s=ends_s))
    seen = CertificateSeen(use="mqtt.tls", held=held, wall_ms=NOW_MS)
    (only,) = complete(judge_certificate(seen))
    assert only.state is state


@pytest.mark.parametrize(("early_s", "state"), [(1, WRONG), (0, GOOD), (-1, GOOD)])
def test_a_certificate_from_the_future_does_not_hold_yet(
    early_s: int, state: State
) -> None:
    begins_s = NOW_MS // 1_000 + early_s
    dates = Dates(begins_s=begins_s, ends_s=begins_s + 90 * DAY_S)
    held = Held(what="our certificate c", dates=dates)
    seen = CertificateSeen(use="page", held=held, wall_ms=NOW_MS)
    (only,) = complete(judge_certificate(seen))
    assert only.state is state


def test_a_certificate_that_cannot_be_read_is_not_called_good() -> None:
    seen = CertificateSeen(use="page", held=None, wall_ms=NOW_MS, trouble="no file")
    (only,) = complete(judge_certificate(seen))
    assert (only.state, only.seen) == (UNTOLD, "no file")


FILE = device("/etc/tocsin/word", kind=Kind.FILE, mode=0o640, gid=990)


@pytest.mark.parametrize(
    ("mode", "is_secret", "state"),
    [
        (0o640, True, GOOD),
        (0o644, True, WRONG),
        (0o644, False, GOOD),
        (0o646, False, WRONG),
        (0o642, True, WRONG),
        (0o600, True, WRONG),  # root's, and the daemon cannot read it
    ],
)
def test_a_secret_is_for_the_daemon_to_read_and_for_nobody_else(
    mode: int,
    is_secret: bool,  # noqa: FBT001
    state: State,
) -> None:
    seen = SecretSeen(
        node=replace(FILE, mode=mode), use="it", who=DAEMON, is_secret=is_secret
    )
    (only,) = complete(judge_secret(seen))
    assert only.state is state


@pytest.mark.parametrize(
    ("kind", "is_made_by_us", "states"),
    [
        (Kind.MISSING, False, [WRONG]),
        (Kind.MISSING, True, []),
        (Kind.FOLDER, False, [WRONG]),
        (Kind.UNSEEN, False, [UNTOLD]),
    ],
)
def test_a_secret_that_is_not_there_is_told_unless_the_daemon_makes_it(
    kind: Kind,
    is_made_by_us: bool,  # noqa: FBT001
    states: list[State],
) -> None:
    node = replace(FILE, kind=kind, trouble="why" if kind is Kind.UNSEEN else "")
    seen = SecretSeen(node=node, use="it", who=DAEMON, is_made_by_us=is_made_by_us)
    assert [f.state for f in complete(judge_secret(seen))] == states


SOFTWARE = SoftwareSeen(
    python=(3, 11, 2),
    own="1",
    packages=(PackageSeen(name="aiohttp", version="3.12.1", least="3.12"),),
    drivers=("lgpio", "sunspec"),
    wanted_drivers=("sunspec",),
)


@pytest.mark.parametrize(
    ("package", "state"),
    [
        (("3.11.9", "3.12", False), WRONG),
        (("3.12", "3.12", False), GOOD),
        (("3.12.0rc1", "3.12", False), GOOD),
        (("10.0", "3.12", False), GOOD),
        (("3.9", "3.12", False), WRONG),
        (("", "3.12", False), WRONG),
        (("0.0.0.2", "", True), WRONG),
    ],
)
def test_a_library_must_be_there_new_enough_and_not_empty(
    package: tuple[str, str, bool], state: State
) -> None:
    version, least, is_empty = package
    each = PackageSeen(name="x", version=version, least=least, is_empty=is_empty)
    said = complete(judge_software(replace(SOFTWARE, packages=(each,))))
    assert [f.state for f in said if "librar" in f.looked_at] == [state]


@pytest.mark.parametrize(
    ("python", "state"),
    [((3, 10, 9), WRONG), ((3, 11, 0), GOOD), ((3, 12, 0), GOOD)],
)
def test_python_must_be_new_enough(python: tuple[int, int, int], state: State) -> None:
    said = complete(judge_software(replace(SOFTWARE, python=python)))
    assert next(f for f in said if f.looked_at == "Python").state is state


def test_a_driver_that_is_not_installed_is_wrong() -> None:
    said = complete(judge_software(replace(SOFTWARE, wanted_drivers=("gone",))))
    assert next(f for f in said if "drivers" in f.looked_at).state is WRONG
