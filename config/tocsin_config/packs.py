"""``[[pack]]`` and ``[[source]]`` tables to sources: keys and addresses that clash."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from tocsin.core.model import Value
from tocsin.ports import LOG, CanLine, SerialLine, SourceSpec, TcpLine
from tocsin.registers import PointRole
from tocsin_config.maps import Wanted, build_map, read_map_file
from tocsin_config.models import SourceTable
from tocsin_config.problems import suggestion
from tocsin_config.signals import build_signals

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from tocsin.dbc import Dbc
    from tocsin.registers import RegisterMap
    from tocsin.signals import SignalMap
    from tocsin_config.findings import Findings
    from tocsin_config.models import DrivenTable, PackTable
    from tocsin_config.problems import Key

EVERY = {"name", "driver", "string"}
TCP = {"host", "port", "framing"}
SERIAL = {"serial", "baud", "parity", "stop_bits"}
MODBUS = EVERY | TCP | SERIAL | {"unit", "timeout_s", "retries"}
CAN = EVERY | {"interface", "channel", "bitrate", "speed"}
OF_SOURCE = {"of", "gives", "agree_a", "agree_pct", "agree_v", "agree_soc_pct"}
SLCAN_BITRATES = (
    *(10_000, 20_000, 50_000, 83_300, 100_000),
    *(125_000, 250_000, 500_000, 750_000, 1_000_000),
)
KEYS = {
    "modbus-map": MODBUS | {"map"},
    "sunspec": MODBUS | {"base", "current_sign"},
    "rv-c": CAN | {"instance", "battery", "current_sign", "transmit", "max_age_s"},
    "dbc": CAN | {"file", "signal", "id_mask"},
    "trace": EVERY | {"file", "speed"},
    "simulated": EVERY | {"seed"},
}
NEEDED = {
    "modbus-map": ("map",),
    "rv-c": ("interface", "channel", "instance"),
    "dbc": ("interface", "channel", "file", "signal"),
}
ROLES = {
    Value.CURRENT: PointRole.CURRENT,
    Value.VOLTAGE: PointRole.VOLTAGE,
    Value.SOC: PointRole.SOC,
}
RVC_BITRATE = 250_000
"""Of every RV-C bus: RV-C specification, physical layer."""

RVC_MESSAGES = frozenset(
    {
        *(f"DC_SOURCE_STATUS_{number}" for number in (1, 2, 4, 5, 6, 11)),
        *(f"BATTERY_STATUS_{number}" for number in (1, 2, 4, 11)),
    }
)
EXAMPLES = {
    "map": 'a [{}.map] table, or a file name such as "map.toml"',
    "interface": 'a python-can interface, such as "socketcan"',
    "channel": 'a CAN channel, such as "can0"',
    "instance": "an RV-C DC instance, 1 to 250",
    "signal": "[[{}.signal]] tables that say what each signal is",
    "recording": 'a trace beside this file, file = "night.csv"',
    "log": 'a CAN log beside this file, such as "bus.log" or "bus.log@can1"',
    "file": 'a DBC file beside this file, such as "bank.dbc"',
}


@dataclass(slots=True, kw_only=True)
class Packs:
    """Makes sources of the packs, and keeps the bytes of the files they include."""

    findings: Findings
    folder: Path
    cells: int
    is_bank_known: bool
    included: dict[Path, bytes] = field(default_factory=dict)
    described: dict[Path, Dbc] = field(default_factory=dict)

    def sources(
        self, tables: Sequence[PackTable], extras: Sequence[SourceTable] = ()
    ) -> tuple[tuple[SourceSpec, ...], tuple[SourceSpec, ...]]:
        """Return one source a pack, and the sources beside them.

        Every mistake goes to the findings.
        """
        packs = [self._source(("pack", i), each) for i, each in enumerate(tables)]
        beside = [
            replace(self._source(("source", i), each), gives=frozenset(each.gives))
            for i, each in enumerate(extras)
        ]
        self._names(tables)
        self._addresses(packs)
        self._lines(
            [(("pack", i), each) for i, each in enumerate(packs)]
            + [(("source", i), each) for i, each in enumerate(beside)]
        )
        return tuple(packs), tuple(beside)

    def _source(self, at: Key, table: DrivenTable) -> SourceSpec:
        self._keys(at, table)
        retries = 1 if table.retries is None else table.retries
        return SourceSpec(
            name=table.name,
            driver=table.driver,
            cells=self.cells,
            line=self._line(at, table),
            unit=table.unit or 1,
            timeout_ms=round((table.timeout_s or 1.0) * 1_000),
            retries=retries,
            options=self._options(at, table),
        )

    def _keys(self, at: Key, table: DrivenTable) -> None:
        allowed = KEYS[table.driver] | (OF_SOURCE if at[0] == "source" else set())
        for key in sorted(table.model_fields_set - allowed):
            right = suggestion(key, allowed)
            self.findings.tell((*at, key), f"not for {table.driver}", right)
        for key in NEEDED.get(table.driver, ()):
            if getattr(table, key) in (None, ()):
                wrong = f"is missing; {table.driver} needs it"
                self.findings.tell((*at, key), wrong, EXAMPLES[key].format(at[0]))

    def _line(
        self, at: Key, table: DrivenTable
    ) -> TcpLine | SerialLine | CanLine | None:
        if table.driver in {"rv-c", "dbc"}:
            return self._can_line(at, table)
        if table.driver not in {"modbus-map", "sunspec"}:
            return None
        given = table.model_fields_set
        if ("host" in given) == ("serial" in given):
            wrong = "both host and serial" if "host" in given else "no host or serial"
            right = "host (and port), or serial (and baud, parity)"
            self.findings.tell(at, wrong, right)
            return None
        stray = SERIAL if "host" in given else TCP
        for key in sorted(given & stray):
            with_what = "host" if "host" in given else "serial"
            right = "host" if key in TCP else "serial"
            wrong = f"has no meaning with {with_what}"
            needs = [(*at, "host"), (*at, "serial")]
            self.findings.tell((*at, key), wrong, f"only with {right}", needs=needs)
        if table.host is not None:
            framing = table.framing or "tcp"
            return TcpLine(host=table.host, port=table.port or 502, framing=framing)
        return SerialLine(
            device=table.serial or "",
            baud=table.baud or 19_200,
            parity=table.parity or "E",
            stop_bits=table.stop_bits or 1,
        )

    def _can_line(self, at: Key, table: DrivenTable) -> CanLine | None:
        if table.interface is None or table.channel is None:
            return None
        path = (*at, "bitrate")
        if table.bitrate is not None and table.interface != "slcan":
            right = "left out; a kernel interface has its own (`ip link set`)"
            self.findings.tell(path, f"has no meaning with {table.interface}", right)
        elif table.bitrate not in {None, *SLCAN_BITRATES}:
            right = f"one of {', '.join(map(str, SLCAN_BITRATES))}"
            wrong = f"{table.bitrate} is not for a serial adapter"
            self.findings.tell(path, wrong, right)
        channel, bitrate = table.channel, table.bitrate
        if table.interface == LOG:
            channel = self._log(at, channel)
        elif table.speed is not None:
            wrong = f"has no meaning with {table.interface}"
            self.findings.tell((*at, "speed"), wrong, f'interface = "{LOG}"')
        if bitrate is None and table.interface == "slcan" and table.driver == "rv-c":
            bitrate = RVC_BITRATE
        return CanLine(
            interface=table.interface,
            channel=channel,
            bitrate=bitrate,
            speed=table.speed or 1.0,
        )

    def _log(self, at: Key, channel: str) -> str:
        """Return the path of a CAN log, and the bus in it if one is named."""
        whole = self.folder / channel
        file = whole if whole.is_file() else self.folder / channel.rpartition("@")[0]
        if not file.is_file():
            path = (*at, "channel")
            self.findings.tell(path, f"there is no file {whole}", EXAMPLES["log"])
        return str(whole)

    def _options(self, at: Key, table: DrivenTable) -> dict[str, Any]:
        match table.driver:
            case "modbus-map":
                return {"map": self._map(at, table)}
            case "sunspec":
                sign = table.current_sign or "charge-positive"
                return {"base": table.base, "current_sign": sign}
            case "rv-c":
                return self._rvc_options(at, table)
            case "dbc":
                file, dbc = self._dbc(at, table)
                return {
                    "file": file,
                    "dbc": dbc,
                    "signals": self._signals(at, table, dbc),
                }
            case "trace":
                return self._played(at, table)
            case "simulated":
                return {} if table.seed is None else {"seed": table.seed}

    def _played(self, at: Key, table: DrivenTable) -> dict[str, Any]:
        """Return which recording to play; nothing for one that is only replayed."""
        if table.file is None:
            if table.speed is not None:
                wrong = "has no meaning without file"
                self.findings.tell((*at, "speed"), wrong, EXAMPLES["recording"])
            return {}
        file = self.folder / table.file
        if not file.is_file():
            wrong = f"there is no file {file}"
            self.findings.tell((*at, "file"), wrong, EXAMPLES["recording"])
        return {"file": file, "speed": table.speed or 1.0}

    def _map(self, at: Key, table: DrivenTable) -> RegisterMap | None:
        path = (*at, "map")
        wanted = self._wanted(table)
        if isinstance(table.map, dict):
            document = self.findings.document
            made, problems = build_map(table.map, document, path, wanted)
        elif isinstance(table.map, str):
            file = self.folder / table.map
            raw, made, problems = read_map_file(file, wanted)
            if not raw and problems:
                self.findings.tell(
                    path, f"{table.map}: {problems[0].wrong}", problems[0].right
                )
                return None
            self.included[file] = raw
        else:
            if table.map is not None:
                right = EXAMPLES["map"].format(at[0])
                self.findings.tell(path, "is no map", right)
            return None
        self.findings.problems += problems
        return made

    def _wanted(self, table: DrivenTable) -> Wanted:
        if isinstance(table, SourceTable):
            return Wanted(roles=frozenset(ROLES[value] for value in table.gives))
        return Wanted(cells=self.cells if self.is_bank_known else None)

    def _rvc_options(self, at: Key, table: DrivenTable) -> dict[str, Any]:
        for name in table.max_age_s or {}:
            if name not in RVC_MESSAGES:
                path = (*at, "max_age_s", name)
                right = suggestion(name, RVC_MESSAGES)
                self.findings.tell(path, "no such message is listened to", right)
        return {
            "instance": table.instance,
            "battery": table.battery,
            "current_sign": table.current_sign or "discharge-positive",
            "transmit": bool(table.transmit),
            "max_age_s": dict(table.max_age_s or {}),
        }

    def _dbc(self, at: Key, table: DrivenTable) -> tuple[Path | None, Dbc | None]:
        """Return the DBC file's path, and what it describes if it can be read."""
        if table.file is None:
            return None, None
        file = self.folder / table.file
        path = (*at, "file")
        try:
            raw = self.included[file] = file.read_bytes()
        except (OSError, ValueError) as exc:
            wrong = f"{table.file} cannot be read: {exc}"
            self.findings.tell(path, wrong, EXAMPLES["file"])
            return file, None
        from tocsin.dbc import DbcError, read_dbc  # noqa: PLC0415 slow, for CAN only

        if file not in self.described:
            try:
                self.described[file] = read_dbc(raw)
            except DbcError as exc:
                self.findings.tell(path, f"{table.file} {exc}", EXAMPLES["file"])
        return file, self.described.get(file)

    def _signals(
        self, at: Key, table: DrivenTable, dbc: Dbc | None
    ) -> SignalMap | None:
        if dbc is None or not table.signal:
            return None
        return build_signals(
            table.signal,
            dbc,
            self.findings,
            path=(*at, "signal"),
            wanted=self._wanted(table),
            id_mask=table.id_mask,
        )

    def _names(self, tables: Sequence[PackTable]) -> None:
        named = [(("pack", i, "name"), t.name) for i, t in enumerate(tables)]
        self.findings.twice(named, "the name is taken", "a name for each pack")
        strings = [t.string or f"\0{t.name}" for t in tables]
        sizes = {strings.count(name) for name in strings}
        if len(sizes) > 1:
            self.findings.tell(
                ("pack",),
                "strings of unequal length",
                "as many packs in series in each string",
                needs=[("pack",)],
            )

    def _addresses(self, specs: Sequence[SourceSpec]) -> None:
        named = [
            (("pack", i, "unit"), (_place(spec.line), spec.unit))
            for i, spec in enumerate(specs)
            if isinstance(spec.line, TcpLine | SerialLine)
        ]
        wrong = "two packs at one address and unit"
        right = "a unit or an address for each pack"
        self.findings.twice(named, wrong, right, whole=True)
        said = [
            (("pack", i), (_place(spec.line), what))
            for i, spec in enumerate(specs)
            if isinstance(spec.line, CanLine)
            for what in _heard(spec)
        ]
        wrong = "two packs hear the same thing on one bus"
        right = "an instance, a battery or signals for each pack"
        self.findings.twice(said, wrong, right, whole=True)

    def _lines(self, specs: Sequence[tuple[Key, SourceSpec]]) -> None:
        lines: dict[object, TcpLine | SerialLine | CanLine] = {}
        for at, spec in specs:
            if spec.line is None:
                continue
            first = lines.setdefault(_place(spec.line), spec.line)
            if first != spec.line:
                wrong = "packs on one line with different settings"
                right = "the same settings on one line"
                if not isinstance(spec.line, CanLine):
                    right = "the same framing, baud, parity and stop_bits on one line"
                self.findings.tell(at, wrong, right)


def _heard(spec: SourceSpec) -> tuple[object, ...]:
    """Return what stands for a pack on its bus: its instance, or its first signal."""
    told = spec.options
    if spec.driver == "rv-c":
        return ((told["instance"], told["battery"]),)
    signals = told["signals"].signals if told["signals"] is not None else ()
    return tuple((told["file"], each.message, each.signal) for each in signals[:1])


def _place(line: TcpLine | SerialLine | CanLine | None) -> object:
    match line:
        case TcpLine():
            return line.host.lower(), line.port
        case SerialLine():
            return line.device
        case CanLine():
            return line.interface, line.channel
        case None:
            return None
