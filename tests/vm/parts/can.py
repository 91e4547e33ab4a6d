"""SocketCAN, which can be tried nowhere but in a kernel of one's own: on vcan0.

A virtual bus has no bit rate, no acknowledgement and no bus-off; error frames are made
by hand and sent from a second socket.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from tests.vm.build import GUEST
from tests.vm.lab import PINS, PYTHON, SITE, TOCSIN, Lab, booted
from tests.vm.machine import Machine

from tocsin_drivers.simbus.can_serve import bank_dbc
from tocsin_drivers.simbus.fern_ridge import make_bank
from tocsin_drivers.simbus.hut_dbc import signals_toml

if TYPE_CHECKING:
    from tests.vm.lab import Place, Report

CELLS = 16
CELL_V = 3.299
"""Of the half-full pack in guest/bank.py, as Modbus tells it too."""
RVC_INSTANCE = 3
ERRORS = {
    "error-passive": ("4", "20"),
    "frames were lost": ("4", "1"),
    "no acknowledge": ("20", "0"),
}
"""Words of the daemon, and the class and detail that stand for it."""
TOLD_S = 20


def run(place: Place) -> None:
    """Both drivers, a link down and up, and error frames."""
    report = place.report
    with Machine(place.image, place.folder) as machine:
        lab = Lab(machine)
        booted(lab)
        machine.begin(f"{PYTHON} /opt/lab/bank.py can")
        machine.write("/etc/tocsin/hut.dbc", bank_dbc(make_bank()))
        _on(lab, "dbc", "dbc")
        lab.until("every permit", lab.all_permitted)
        _check_cells(lab, report)
        _cold(lab, report)
        _link_down(lab, report)
        _error_frames(lab, report)
        _rvc(lab, report)


def _on(lab: Lab, left: str, right: str) -> None:
    """Run the daemon on a site file whose packs are on the bus."""
    text = (GUEST / "site.toml").read_text("utf-8")
    head, _, rest = text.partition("[[pack]]")
    outputs = rest[rest.index("[[output]]") :]
    packs = _pack("left", left) + _pack("right", right)
    lab.machine.write(SITE, head + packs + outputs)
    lab.machine.sh(f"{TOCSIN} check {SITE} || test $? -ne 2")
    lab.restart()


def _pack(name: str, driver: str) -> str:
    table = f'[[pack]]\nname = "{name}"\ndriver = "{driver}"\n'
    table += 'interface = "socketcan"\nchannel = "vcan0"\n'
    if driver == "rv-c":
        return f"{table}instance = {RVC_INSTANCE}\n\n"
    return f'{table}file = "hut.dbc"\n{signals_toml(name, CELLS)}'


def _packs(lab: Lab) -> dict[str, dict[str, object]]:
    said = json.loads(lab.machine.sh(f"{TOCSIN} show {SITE} --json"))
    return {pack["name"]: pack for pack in said["packs"]}


def _check_cells(lab: Lab, report: Report) -> None:
    cells = [pack["cells_v"] for pack in _packs(lab).values()]
    report.check(
        cells == [[CELL_V] * CELLS] * 2,
        f"dbc on vcan0: both packs, {CELLS} cells each, at {CELL_V} V; permits rose",
    )


def _cold(lab: Lab, report: Report) -> None:
    lab.wish(right={"temp_dc": 20})
    took_s = lab.until("charge inhibited, cold", lab.has(charge=False))
    report.check(True, f"dbc, one pack at 2 degC: charge permit fell, {took_s:.0f} s")
    lab.wish()
    lab.until("every permit", lab.all_permitted)


def _link_down(lab: Lab, report: Report) -> None:
    was = lab.unit("MainPID")
    lab.machine.sh("ip link set vcan0 down")
    took_s = lab.until("charge inhibited", lab.has(charge=False))
    lab.until("the alarm", lambda: "source-lost" in lab.alarms())
    lab.machine.sh("ip link set vcan0 up")
    back_s = lab.until("every permit", lab.all_permitted)
    report.check(
        lab.unit("MainPID") == was,
        f"link down: charge permit fell, {took_s:.0f} s, source-lost; link up: "
        f"permits are back, {back_s:.0f} s, in the same process",
    )


def _error_frames(lab: Lab, report: Report) -> None:
    for words, (classes, detail) in ERRORS.items():
        line = f"{PYTHON} /opt/lab/errors.py {classes} {detail} {TOLD_S}"
        lab.machine.begin(line)
        lab.until(
            f"bus trouble: {words}",
            lambda words=words: words in _trouble(lab),  # type: ignore[misc]
        )
        report.check(True, f"error frames {classes}/{detail}: {_trouble(lab)}")


def _trouble(lab: Lab) -> str:
    """Return what the daemon says is wrong with a part of its own."""
    said = json.loads(lab.machine.sh(f"{TOCSIN} show {SITE} --json"))
    rows = [row for row in said["alarms"] if row["alarm"] == "daemon-trouble"]
    return " ".join(str(row["message"]) for row in rows)


def _rvc(lab: Lab, report: Report) -> None:
    lab.mark("rvc")
    _on(lab, "dbc", "rv-c")
    lab.until("the pack online", lambda: bool(_packs(lab)["right"]["online"]))
    lab.until("its voltage", lambda: _packs(lab)["right"]["voltage_v"] is not None)
    pack = _packs(lab)["right"]
    volts = float(str(pack["voltage_v"]))
    report.check(
        abs(volts - CELL_V * CELLS) < 0.05,
        f"rv-c on vcan0: {volts} V, {pack['soc_pct']} %, {pack['temps_c']} degC",
    )
    lab.until("the alarm", lambda: "not-measured" in lab.alarms())
    lab.until("charge inhibited", lab.has(charge=False))
    record = lab.record()
    since_s = record.mark("rvc")
    rose = [c for c in record.of(PINS["charge"], after_s=since_s) if c.level]
    report.check(
        not rose,
        "rv-c tells no cells: charge is never permitted on it; "
        f"not-measured came, the permit had risen {len(rose)} time(s) before",
    )
