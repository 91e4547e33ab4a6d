"""The tables of a site file, as pydantic models. Units are in the names."""

from __future__ import annotations

from typing import Annotated, Any, Literal, TypeAlias, get_args

from pydantic import Field

from tocsin.core.model import BANK, Value
from tocsin.core.rules import Role
from tocsin.ports import LOG
from tocsin_config.call_models import (
    HOURS,
    PIN,
    TIME,
    TIME_RIGHT,
    GeneratorTable,
    HeaterTable,
    InputTable,
)
from tocsin_config.circuit_models import (  # noqa: TC001 pydantic reads them
    CircuitTable,
    ReliabilityTable,
)
from tocsin_config.fields import (
    HOST,
    NAME,
    PORT,
    PORT_RIGHT,
    Table,
    choice,
    name_field,
    needed,
    optional,
)
from tocsin_config.fleet_models import FleetTable  # noqa: TC001 pydantic reads it
from tocsin_config.rule_models import RuleTable  # noqa: TC001 pydantic reads it
from tocsin_config.signal_models import SignalTable  # noqa: TC001 pydantic reads it
from tocsin_config.tls import TlsTable  # noqa: TC001 pydantic reads it

Driver: TypeAlias = Literal[
    "modbus-map", "sunspec", "rv-c", "dbc", "trace", "simulated"
]
Preset: TypeAlias = Literal["lfp", "nmc", "lto", "sodium-ion"]
DRIVERS = get_args(Driver)
PRESETS = get_args(Preset)
INTERFACES = ("socketcan", "slcan", "virtual", LOG)
ONE_LEVEL = r"^[^+#/$\s][^+#/\s]{0,63}$"
NO_SLASH = r"^[^+#/\s]+(/[^+#/\s]+)*$"

Text = Annotated[str, Field(min_length=1, max_length=200)]
PageName = Annotated[str, Field(pattern=HOST)]


class SiteTable(Table):
    """``[site]``: what the site is called."""

    name: Text | None = optional('a name in quotes, such as "Fern Ridge hut"')


class BankTable(Table):
    """``[bank]``: the cells."""

    chemistry: Preset = choice("preset", PRESETS, default="lfp")
    capacity_ah: float = needed(
        "the nameplate of one pack in Ah, above 0, such as 280", 280, gt=0, le=100_000
    )
    cells_in_series: int = needed(
        "the number of series cells of one pack, 1 to 400, such as 16", 16, ge=1, le=400
    )


class ProtectionTable(Table):
    """``[protection]``: where the battery's own protector cuts off."""

    low_cell_v: float | None = optional(
        "the protector's low cut-off of one cell in V, such as 2.80", ge=0.5, le=5
    )
    high_cell_v: float | None = optional(
        "the protector's high cut-off of one cell in V, such as 3.75", ge=0.5, le=5
    )
    cold_charge_c: float | None = optional(
        "where the protector refuses charge, in degC, such as 5.0", ge=-60, le=60
    )


class ChargingTable(Table):
    """``[charging]``: what the chargers are set to."""

    absorption_v: float | None = optional(
        "the chargers' absorption voltage of one pack in V, such as 55.2",
        gt=0,
        le=2_000,
    )


class ForecastTable(Table):
    """``[forecast]``."""

    lead_min: float = optional(
        "minutes of warning before a cut-off, 1 to 240, such as 15", 15, ge=1, le=240
    )


class DrivenTable(Table):
    """Whatever is read by a driver, and how."""

    name: str = name_field("left")
    driver: Driver = choice("driver", DRIVERS, examples=["trace"])
    host: str | None = optional(
        'a host name or address, such as "192.0.2.10"', pattern=HOST
    )
    port: int | None = optional(f"{PORT_RIGHT}, such as 502", **PORT)
    framing: Literal["tcp", "rtu"] | None = choice(
        "framing", ("tcp", "rtu"), default=None
    )
    serial: str | None = optional(
        'a serial device, such as "/dev/ttyUSB0"', min_length=1
    )
    baud: int | None = optional(
        "a speed in baud, 300 to 4000000, such as 19200", ge=300, le=4_000_000
    )
    parity: Literal["E", "N", "O"] | None = choice(
        "parity", ("E", "N", "O"), default=None
    )
    stop_bits: int | None = optional("1 or 2", ge=1, le=2)
    unit: int | None = optional("a Modbus unit from 1 to 247, such as 1", ge=1, le=247)
    timeout_s: float | None = optional(
        "seconds one request may take, 0.05 to 30, such as 1.0", ge=0.05, le=30
    )
    retries: int | None = optional("how often to try again, 0 to 10", ge=0, le=10)
    map: Any = optional('a [pack.map] table, or a file name such as "map.toml"')
    base: int | None = optional(
        "the register where the models begin, such as 40000", ge=0, le=65_535
    )
    current_sign: Literal["charge-positive", "discharge-positive"] | None = choice(
        "sign", ("charge-positive", "discharge-positive"), default=None
    )
    interface: Literal["socketcan", "slcan", "virtual", "log"] | None = choice(
        "interface", INTERFACES, default=None
    )
    channel: str | None = optional('a CAN channel, such as "can0"', min_length=1)
    bitrate: int | None = optional(
        "bits a second, 10000 to 1000000, such as 250000", ge=10_000, le=1_000_000
    )
    instance: int | None = optional("an RV-C DC instance, 1 to 250", ge=1, le=250)
    battery: int | None = optional("an RV-C battery instance, 1 to 250", ge=1, le=250)
    transmit: bool | None = optional("true or false")
    max_age_s: dict[str, Annotated[float, Field(ge=0.1, le=600)]] | None = optional(
        'seconds by message, such as { "DC_SOURCE_STATUS_6" = 60 }'
    )
    file: str | None = optional(
        'a file beside this one, such as "bank.dbc"', min_length=1
    )
    speed: float | None = optional(
        "how many times as fast to play, 0.01 to 1000, such as 10", ge=0.01, le=1_000
    )
    id_mask: int | None = optional(
        "the bits of extended identifiers that count, such as 0x03FFFF00",
        ge=0,
        le=0x1FFF_FFFF,
    )
    signal: Annotated[tuple[SignalTable, ...], Field(strict=False)] = optional(
        "[[pack.signal]] tables, one a signal or a row of signals", ()
    )
    seed: int | None = optional("a whole number, 0 or more", ge=0, le=2**63)


class PackTable(DrivenTable):
    """``[[pack]]``: one battery."""

    string: str | None = optional(
        'a name for packs in series with each other, such as "A"', pattern=NAME
    )


class SourceTable(DrivenTable):
    """``[[source]]``: a source beside the packs' own, such as a shunt."""

    of: str = optional('"bank", or the name of a pack or a string', BANK, pattern=NAME)
    gives: Annotated[
        tuple[Annotated[Value, Field(strict=False)], ...],
        Field(strict=False, min_length=1),
    ] = needed(
        'what it is there for: ["current"], or "voltage" and "soc" as well', ["current"]
    )
    agree_a: float | None = optional(
        "amperes that two sources may be apart, such as 5", gt=0, le=100_000
    )
    agree_pct: float = optional(
        "percent of the current that they may be apart on top, 0 to 100",
        10.0,
        ge=0,
        le=100,
    )
    agree_v: float | None = optional(
        "volts that two sources may be apart, such as 0.5", gt=0, le=2_000
    )
    agree_soc_pct: float = optional(
        "percent of charge that two counters may be apart, 1 to 100", 10.0, ge=1, le=100
    )


class OutputTable(Table):
    """``[[output]]``: one relay, horn or lamp."""

    name: str = name_field("charge")
    role: Annotated[Role, Field(strict=False)] = choice("role", Role, examples=["horn"])
    stage: int | None = optional(
        "a stage from 1 to 9, 1 is shed first, such as 1", ge=1, le=9
    )
    pin: str | None = optional("a pin from GPIO0 to GPIO27, in quotes", pattern=PIN)
    active_low: bool = optional("true or false", default=False)
    hold_s: float | None = optional("seconds, 0 to 3600, such as 300", ge=0, le=3_600)
    min_on_s: float | None = optional("seconds, 0 to 86400", ge=0, le=86_400)
    min_off_s: float | None = optional("seconds, 0 to 86400", ge=0, le=86_400)
    rules: Annotated[tuple[str, ...], Field(strict=False)] | None = optional(
        'a list of rule names, such as ["low-cell"]'
    )
    circuit: CircuitTable | None = optional(
        "an [output.circuit] table: how this output is wired"
    )
    reliability: ReliabilityTable | None = optional(
        "an [output.reliability] table: how often its parts fail"
    )
    generator: GeneratorTable | None = optional("an [output.generator] table")
    heater: HeaterTable | None = optional("an [output.heater] table")
    self_test_at: str | None = optional(TIME_RIGHT.format("12:00"), pattern=TIME)
    self_test_days: int | None = optional("days, 1 to 366, such as 7", ge=1, le=366)
    rated_operations: int | None = optional(
        "what the relay is rated for at its load, such as 100000", ge=100, le=10**9
    )


class GpioTable(Table):
    """``[gpio]``."""

    pins: Literal["simulated", "lgpio"] = choice(
        "pin driver", ("simulated", "lgpio"), default="simulated"
    )


class JournalTable(Table):
    """``[journal]``."""

    folder: str = optional(
        'a folder, such as "/var/lib/tocsin"', "/var/lib/tocsin", min_length=1
    )


class HistoryTable(Table):
    """``[history]``: samples beside the journal, thinned with age."""

    enabled: bool = optional("true or false", default=True)
    raw_h: float = optional(
        "hours for which every sample is kept, 1 to 8760, such as 48", 48, ge=1, le=8760
    )
    minute_days: float = optional(
        "days for which minutes are kept, 1 to 36500, such as 400", 400, ge=1, le=36_500
    )
    quarter_days: float = optional(
        "days for which quarters of an hour are kept, 1 to 36500, such as 3650",
        3_650,
        ge=1,
        le=36_500,
    )
    batch_s: float = optional(
        "seconds between two writes, 1 to 600, such as 60", 60, ge=1, le=600
    )
    max_mb: float = optional(
        "megabytes the file may hold, 1 to 1000000, such as 600", 600, ge=1, le=1e6
    )
    reserve_mb: float = optional(
        "megabytes of the disk left to the journal, 0 to 1000000", 64, ge=0, le=1e6
    )


class AnnounceTable(Table):
    """``[mqtt.announce]``: a retained message a value, in a hub's own shape."""

    template: str = needed(
        'a template file beside this file, such as "announce.txt"',
        "announce.txt",
        min_length=1,
    )


class MqttTable(Table):
    """``[mqtt]``: the broker. Without the table nothing is published."""

    host: str = optional('a host, such as "127.0.0.1"', "127.0.0.1", pattern=HOST)
    port: int | None = optional(
        f"{PORT_RIGHT}; 1883 if not said, 8883 with a tls table", **PORT
    )
    protocol: Literal["5", "3.1.1"] = choice(
        "protocol",
        ("5", "3.1.1"),
        default="5",
        description='"5"; or "3.1.1", with which nothing expires, no refusal is heard '
        "and no command is obeyed",
    )
    domain: str = optional(
        'one topic level without + # / or blanks, such as "homie"',
        "homie",
        pattern=ONE_LEVEL,
    )
    base: str = optional(
        'first topic levels without + # or blanks, such as "tocsin"; what earlier '
        "versions left there is removed",
        "tocsin",
        pattern=NO_SLASH,
    )
    commands: bool = optional("true or false; false if not said", default=False)
    username: str = optional("a user name in quotes", "")
    password_file: str | None = optional(
        "a file that holds the password alone", min_length=1
    )
    keepalive_s: int = optional("seconds, 5 to 3600, such as 20", 20, ge=5, le=3_600)
    tls: TlsTable | None = optional(
        'an [mqtt.tls] table with ca = "ca.crt"; certificate and key where the broker '
        "wants ours",
        None,
    )
    announce: AnnounceTable | None = optional(
        'an [mqtt.announce] table with template = "announce.txt"', None
    )


class PageTable(Table):
    """``[page]``: the page for browsers."""

    enabled: bool = optional("true or false", default=True)
    host: str = optional('an address, such as "127.0.0.1"', "127.0.0.1", pattern=HOST)
    port: int = optional(f"{PORT_RIGHT}, such as 8460", 8_460, **PORT)
    names: Annotated[tuple[PageName, ...], Field(strict=False)] = optional(
        'a list of names that browsers may use, such as ["hut.example"]', ()
    )
    token_file: str | None = optional("a file that holds the token alone", min_length=1)
    certificate: str | None = optional("a certificate file in PEM", min_length=1)
    key: str | None = optional("the certificate's key file in PEM", min_length=1)


class TimingTable(Table):
    """``[timing]``: times and amounts that are the site's, not one rule's."""

    poll_s: float = optional(
        "seconds between polls, 0.1 to 60, such as 1", 1.0, ge=0.1, le=60
    )
    stale_s: float = optional("seconds, 1 to 600, such as 10", 10.0, ge=1, le=600)
    good_scans: int = optional("a number of readings, 1 to 1000", 5, ge=1, le=1_000)
    shed_settle_s: float = optional("seconds, 0 to 600", 5.0, ge=0, le=600)
    shed_confirm_s: float = optional("seconds, 1 to 3600", 20.0, ge=1, le=3_600)
    restore_gap_s: float = optional("seconds, 0 to 86400", 300.0, ge=0, le=86_400)
    restore_pct: float = optional("percent, 0 to 100", 5.0, ge=0, le=100)
    horn_cap_s_per_hour: float = optional("seconds, 10 to 3600", 600.0, ge=10, le=3_600)
    quiet_hours: str | None = optional(
        'local times of day, such as "22:00-07:00"', pattern=HOURS
    )


class SiteFile(Table):
    """A whole site file."""

    site: SiteTable = optional("a [site] table", SiteTable())
    bank: BankTable = needed(
        "a [bank] table with capacity_ah and cells_in_series",
        {"capacity_ah": 280, "cells_in_series": 16},
    )
    protection: ProtectionTable = optional("a [protection] table", ProtectionTable())
    charging: ChargingTable = optional("a [charging] table", ChargingTable())
    forecast: ForecastTable = optional("a [forecast] table", ForecastTable())
    pack: Annotated[tuple[PackTable, ...], Field(strict=False, min_length=1)] = needed(
        "at least one [[pack]] table with name and driver",
        [{"name": "left", "driver": "trace"}],
    )
    source: Annotated[tuple[SourceTable, ...], Field(strict=False)] = optional(
        "[[source]] tables, one a source beside the packs' own", ()
    )
    output: Annotated[tuple[OutputTable, ...], Field(strict=False)] = optional(
        "[[output]] tables, one an output", ()
    )
    input: Annotated[tuple[InputTable, ...], Field(strict=False)] = optional(
        "[[input]] tables, one an input", ()
    )
    rule: Annotated[tuple[RuleTable, ...], Field(strict=False)] = optional(
        "[[rule]] tables, one a rule", ()
    )
    gpio: GpioTable = optional("a [gpio] table", GpioTable())
    journal: JournalTable = optional("a [journal] table", JournalTable())
    history: HistoryTable = optional("a [history] table", HistoryTable())
    mqtt: MqttTable | None = optional("an [mqtt] table", None)
    fleet: FleetTable | None = optional("a [fleet] table with host", None)
    page: PageTable = optional("a [page] table", PageTable())
    timing: TimingTable = optional("a [timing] table", TimingTable())
