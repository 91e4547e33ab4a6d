"""What this installation offers, found by entry point: sources, outputs, inputs."""

from __future__ import annotations

from functools import partial
from importlib.metadata import EntryPoint, entry_points
from typing import TYPE_CHECKING

from tocsin.ports import Heeds, Reports

if TYPE_CHECKING:
    from tocsin.ports import (
        BuildInputs,
        BuildOutputs,
        BuildSources,
        Inputs,
        OnTrouble,
        Outputs,
    )
    from tocsin.shell import Open
    from tocsin_config import Setup


class SetupError(Exception):
    """The site file is sound, but this machine or installation cannot serve it."""


def found(group: str, name: str) -> EntryPoint:
    """Return the entry point *name* of *group*.

    Raises:
        SetupError: no installed package offers it.
    """
    offered = entry_points(group=group)
    if name not in offered.names:
        known = ", ".join(sorted(offered.names)) or "none"
        raise SetupError(f"no {group} named {name!r} is installed; there are: {known}")
    return offered[name]


def open_sources(
    setup: Setup,
    *,
    on_trouble: OnTrouble | None = None,
    heeding: list[Heeds] | None = None,
) -> dict[str, Open]:
    """Return, for each pack, what opens a connection to it.

    Drivers that can are given *on_trouble*; those that heed facts join *heeding*.

    Raises:
        SetupError: a driver is not installed.
    """
    opened: dict[str, Open] = {}
    for driver in dict.fromkeys(spec.driver for spec in setup.sources):
        build: BuildSources = found("tocsin.sources", driver).load()
        specs = [spec for spec in setup.sources if spec.driver == driver]
        sources = build(specs)
        if on_trouble is not None and isinstance(sources, Reports):
            sources.report_to(on_trouble)
        if heeding is not None and isinstance(sources, Heeds):
            heeding.append(sources)
        for spec in specs:
            opened[spec.name] = partial(sources.open, spec.name)
    return opened


def open_outputs(setup: Setup) -> Outputs:
    """Claim every pin, de-energised.

    Raises:
        SetupError: the pin driver is not installed.
        DriverError: a pin cannot be claimed.
    """
    build: BuildOutputs = found("tocsin.outputs", setup.pins_driver).load()
    return build(setup.pins)


def open_inputs(setup: Setup) -> Inputs | None:
    """Claim every input's pin; None where the site has no inputs.

    Raises:
        SetupError: the pin driver is not installed.
        DriverError: a pin cannot be claimed.
    """
    if not setup.input_pins:
        return None
    build: BuildInputs = found("tocsin.inputs", setup.pins_driver).load()
    return build(setup.input_pins)
