"""What nobody should forget where a program starts engines and heaters.

No site file can be so good that these do not hold, so they are not doubts.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from tocsin.core.plant import InputRole
from tocsin.core.rules import Role

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tocsin_config.setup import Setup

EXHAUST = (
    "{0}: exhaust is poison (carbon monoxide). Never let a program start a set that "
    "stands indoors or whose exhaust can come in; listed CO alarms where people sleep "
    "are a device of their own."
)
REMOTE = (
    "{0}: it starts without warning, at any hour. Put a sign at the set; whoever works "
    "on it locks it out there and disconnects its starter battery first."
)
OWN_GUARDS = (
    "{0}: oil, temperature and overspeed are guarded by the set itself, and a switch "
    "at the set must stop it whatever this computer says."
)
NO_LOCK = (
    "{0}: without an [[input]] of role generator-lockout nothing tells Tocsin that "
    "somebody is at the set; put a switch in series with the start contact anyhow."
)
CUT_OUT = (
    "{0}: give it a thermal cut-out of its own, independent of this computer and of "
    "any relay here, and a fuse; a contact that welds leaves the heater on."
)
WARM = (
    "{0}: charge stays inhibited until the coldest cell is warm enough by its own "
    "sensor; a warm heater is no warm cell."
)
MAINTENANCE = (
    "{0}: a maintenance switch is for quiet and for reminding, not for safety; lock "
    "off, and prove dead, what you work on."
)


def cautions(setup: Setup) -> tuple[str, ...]:
    """Return the usual cautions for what this site calls, in words."""
    return tuple(_all(setup))


def _all(setup: Setup) -> Iterator[str]:
    roles = {each.role for each in setup.site.inputs}
    for output in setup.site.outputs:
        words: tuple[str, ...] = ()
        if output.role is Role.GENERATOR_CALL:
            words = (EXHAUST, REMOTE, OWN_GUARDS)
            words += (NO_LOCK,) * (InputRole.GENERATOR_LOCKOUT not in roles)
        elif output.role is Role.HEATER_CALL:
            words = (CUT_OUT, WARM)
        yield from (text.format(output.name) for text in words)
    for each in setup.site.inputs:
        if each.role is InputRole.MAINTENANCE:
            yield MAINTENANCE.format(each.name)
