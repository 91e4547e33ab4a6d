"""Values by role, as a site file declares them, to one sample. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tocsin.core.model import Flag, Sample
from tocsin.ports import DriverError
from tocsin.registers import PointRole
from tocsin_drivers import quantities
from tocsin_drivers.quantities import Quantity

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

OF_ROLE = {
    PointRole.CELL: quantities.CELL,
    PointRole.LOW_CELL: quantities.CELL,
    PointRole.HIGH_CELL: quantities.CELL,
    PointRole.TEMPERATURE: quantities.TEMPERATURE,
    PointRole.CURRENT: quantities.CURRENT,
    PointRole.VOLTAGE: quantities.VOLTAGE,
    PointRole.SOC: quantities.CHARGE,
    PointRole.CHARGE_LIMIT: quantities.LIMIT,
    PointRole.DISCHARGE_LIMIT: quantities.LIMIT,
    PointRole.BEAT: Quantity("", 0, -(2**63), 2**63),
}
FIELDS = {
    PointRole.CELL: "cells_mv",
    PointRole.LOW_CELL: "low_cell_mv",
    PointRole.HIGH_CELL: "high_cell_mv",
    PointRole.TEMPERATURE: "temps_dc",
    PointRole.CURRENT: "current_ma",
    PointRole.VOLTAGE: "voltage_mv",
    PointRole.SOC: "soc_permille",
    PointRole.CHARGE_LIMIT: "charge_limit_ma",
    PointRole.DISCHARGE_LIMIT: "discharge_limit_ma",
    PointRole.BEAT: "beat",
    PointRole.FLAGS: "flags",
}
"""Where in a sample each role goes."""

MANY = frozenset({PointRole.CELL, PointRole.TEMPERATURE})
"""Roles of which a pack has several."""


def sample_of(
    found: Mapping[PointRole, Sequence[int]],
    flags: Iterable[Flag],
    *,
    origin: tuple[tuple[str, str], ...],
    cells: int,
) -> Sample:
    """Return the sample that integers by role make, cell 1 first.

    An allowed current of zero is a refusal.

    Raises:
        DriverError: two values of one role, or not as many cells as there must be.
    """
    for role, several in found.items():
        if role not in MANY and len(several) > 1:
            raise DriverError(f"the map has {len(several)} points of role {role}")
    said = set(flags)
    if 0 in found.get(PointRole.CHARGE_LIMIT, ()):
        said.add(Flag.CHARGE_REFUSED)
    if 0 in found.get(PointRole.DISCHARGE_LIMIT, ()):
        said.add(Flag.DISCHARGE_REFUSED)
    cells_mv = tuple(found.get(PointRole.CELL, ()))
    if cells_mv and len(cells_mv) != cells:
        raise DriverError(f"the map has {len(cells_mv)} cells, {cells} expected")

    def one(role: PointRole) -> int | None:
        return found[role][0] if role in found else None

    return Sample(
        cells_mv=cells_mv,
        low_cell_mv=one(PointRole.LOW_CELL),
        high_cell_mv=one(PointRole.HIGH_CELL),
        temps_dc=tuple(found.get(PointRole.TEMPERATURE, ())),
        current_ma=one(PointRole.CURRENT),
        voltage_mv=one(PointRole.VOLTAGE),
        soc_permille=one(PointRole.SOC),
        charge_limit_ma=one(PointRole.CHARGE_LIMIT),
        discharge_limit_ma=one(PointRole.DISCHARGE_LIMIT),
        flags=frozenset(said),
        beat=one(PointRole.BEAT),
        origin=origin,
    )
