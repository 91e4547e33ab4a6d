"""One mistake each: what to spoil in a sound site file, and what must be said of it."""

from __future__ import annotations

from typing import NamedTuple

SUNSPEC = 'driver = "sunspec"\nhost = "192.0.2.1"'


class Slip(NamedTuple):
    """A sound text, what to put in its place, and what must be said of it."""

    old: str
    new: str
    at: str  # part of the line that is wrong
    key: str
    wrong: str
    right: str = ""


def pack(more: str) -> tuple[str, str]:
    return 'driver = "trace"', more


MODBUS = 'driver = "modbus-map"\nhost = "h"\n'
OUT = '[[output]]\nname = "x"\n'
RULE = '[[rule]]\nname = "x"\n'
POINT = "[pack.map]\n[[pack.map.point]]\n"
END = 'driver = "trace"'

SLIPS = [
    # tables and keys
    Slip("[bank]", "[bnk]", "[bnk]", "bnk", "unknown key", "'bank'"),
    Slip(
        "capacity_ah", "capacity", "capacity", "bank.capacity", "unknown", "capacity_ah"
    ),
    Slip("= 280", "= 0", "= 0", "bank.capacity_ah", "0 does not fit", "above 0"),
    Slip("= 280", '= "280"', "280", "bank.capacity_ah", "'280' does not fit", "Ah"),
    Slip("= 280", "= true", "true", "bank.capacity_ah", "true does not fit", "Ah"),
    Slip("= 280", "= nan", "nan", "bank.capacity_ah", "nan does not fit", "Ah"),
    Slip("= 16", "= 16.5", "16.5", "bank.cells_in_series", "16.5", "1 to 400"),
    Slip(
        "[bank]",
        '[bank]\nchemistry = "lpf"',
        "lpf",
        "bank.chemistry",
        "unknown preset 'lpf'",
        "did you mean 'lfp'?",
    ),
    Slip(
        "[bank]",
        "[protection]\nlow_cell_v = 2800\n[bank]",
        "2800",
        "protection.low_cell_v",
        "2800 does not fit",
        "such as 2.80",
    ),
    Slip(
        "[bank]",
        "[protection]\nlow_cell_v = 3.8\n[bank]",
        "3.8",
        "protection.low_cell_v",
        "3.800 V, high cut-off 3.750 V",
        "below",
    ),
    Slip(
        "[bank]",
        "[timing]\npoll_s = 8\n[bank]",
        "poll_s",
        "timing.poll_s",
        "stale after 10 s, read every 8 s",
        "twice",
    ),
    Slip(
        "[bank]",
        '[mqtt]\npassword = "hush"\n[bank]',
        "password",
        "mqtt.password",
        "secret",
        "password_file",
    ),
    Slip(
        "[bank]",
        '[mqtt]\npassword_file = "pw"\n[bank]',
        "password_file",
        "mqtt.password_file",
        "without a username",
        "username",
    ),
    Slip("[bank]", '[mqtt]\nbase = "a/#"\n[bank]', "base", "mqtt.base", "'a/#'", "+ #"),
    Slip("[bank]", "[page]\nport = 0\n[bank]", "port", "page.port", "0", "1 to 65535"),
    # packs
    Slip('"left"', '"le ft"', "le ft", "pack[1].name", "'le ft'", "letters, digits"),
    Slip('"trace"', '"trce"', "trce", "pack[left].driver", "driver 'trce'", "'trace'?"),
    Slip(
        *pack('driver = "sunspec"'),
        "[[pack]]",
        "pack[left]",
        "no host or serial",
        "host",
    ),
    Slip(
        *pack(f'{SUNSPEC}\nserial = "/dev/x"'),
        "[[pack]]",
        "pack[left]",
        "both host and serial",
        "or serial",
    ),
    Slip(
        *pack(f"{SUNSPEC}\nbaud = 9600"),
        "baud",
        "pack[left].baud",
        "no meaning with host",
        "only with serial",
    ),
    Slip(*pack(f"{SUNSPEC}\nunit = 248"), "unit", "pack[left].unit", "248", "1 to 247"),
    Slip(
        *pack('driver = "trace"\nunit = 1'),
        "unit",
        "pack[left].unit",
        "not for trace",
    ),
    Slip(
        *pack(f'{SUNSPEC}\ncurrent_sign = "positive"'),
        "current_sign",
        "pack[left].current_sign",
        "unknown sign",
        "charge-positive",
    ),
    Slip(
        *pack('driver = "rv-c"\ninterface = "socketcan"\nchannel = "can0"'),
        "[[pack]]",
        "pack[left].instance",
        "is missing; rv-c needs it",
        "1 to 250",
    ),
    Slip(
        *pack(
            'driver = "dbc"\ninterface = "virtual"\nchannel = "c"\nfile = "none.dbc"'
            '\n[[pack.signal]]\nsignal = "A.B"\nrole = "soc"'
        ),
        "none.dbc",
        "pack[left].file",
        "cannot be read",
    ),
    # maps
    Slip(
        *pack(MODBUS),
        "[[pack]]",
        "pack[left].map",
        "is missing; modbus-map",
        "map.toml",
    ),
    Slip(
        *pack(f'{MODBUS}map = "none.toml"'),
        "none.toml",
        "pack[left].map",
        "none.toml: cannot be read",
    ),
    Slip(
        *pack(f"{MODBUS}map = 3"), "map = 3", "pack[left].map", "is no map", "map.toml"
    ),
    Slip(
        *pack(f'{MODBUS}{POINT}role = "cel"\naddress = 1'),
        '"cel"',
        "pack[left].map.point[1].role",
        "unknown role 'cel'",
        "'cell'?",
    ),
    Slip(
        *pack(f'{MODBUS}{POINT}role = "cell"\naddress = 1\ncount = 15'),
        "[[pack.map.point]]",
        "pack[left].map.point",
        "reads 15 cells",
        "16, as cells_in_series",
    ),
    Slip(
        *pack(f'{MODBUS}{POINT}role = "soc"\naddress = 1'),
        "[[pack.map.point]]",
        "pack[left].map.point",
        "reads no cell",
    ),
    Slip(
        *pack(f'{MODBUS}{POINT}cells = "2..17 at 1"'),
        "cells = ",
        "pack[left].map.point[1].cells",
        "begins at cell 2",
        "cell 1 comes next",
    ),
    Slip(
        *pack(f'{MODBUS}{POINT}cells = "1-16 at 1"'),
        "cells = ",
        "pack[left].map.point[1].cells",
        "does not fit",
        "1..16 at 0x1000 step 1",
    ),
    Slip(
        *pack(f'{MODBUS}{POINT}cells = "1..16 at 1"\ncount = 16'),
        "count",
        "pack[left].map.point[1].count",
        "said by `cells` already",
    ),
    Slip(
        *pack(f'{MODBUS}{POINT}cells = "1..16 at 65530"'),
        "[[pack.map.point]]",
        "pack[left].map.point[1]",
        "ends at register 65545",
        "65535",
    ),
    Slip(
        *pack(f'{MODBUS}{POINT}cells = "1..16 at 1 step 1"\ntype = "f32"'),
        "[[pack.map.point]]",
        "pack[left].map.point[1].step",
        "takes 2 registers",
        "step of 2",
    ),
    Slip(
        *pack(f'{MODBUS}{POINT}cells = "1..16 at 1"\nscale = 0'),
        "scale",
        "pack[left].map.point[1].scale",
        "every value 0",
    ),
    Slip(
        *pack(f'{MODBUS}{POINT}role = "flags"\naddress = 1\nbits = {{ "cold" = 1 }}'),
        "bits",
        "pack[left].map.point[1].bits.cold",
        "unknown flag",
        "cold",
    ),
    Slip(
        *pack(
            f'{MODBUS}{POINT}role = "flags"\naddress = 1\nbits = {{ cold-trip = 16 }}'
        ),
        "bits",
        "pack[left].map.point[1].bits.cold-trip",
        "no bit 16",
        "0 to 15",
    ),
    Slip(
        *pack(f'{MODBUS}{POINT}role = "constant"\naddress = 1'),
        "[[pack.map.point]]",
        "pack[left].map.point[1].expect",
        "is missing",
    ),
    # outputs
    Slip(END, f"{END}\n{OUT}", "[[output]]", "output[x].role", "is missing", "horn"),
    Slip(
        END,
        f'{END}\n{OUT}role = "charge"',
        '"charge"',
        "output[x].role",
        "unknown role 'charge'",
        "'charge-permit'?",
    ),
    Slip(
        END,
        f'{END}\n{OUT}role = "load-permit"',
        "[[output]]",
        "output[x].stage",
        "is missing",
        "shed first",
    ),
    Slip(
        END,
        f'{END}\n{OUT}role = "horn"\nstage = 1',
        "stage",
        "output[x].stage",
        "not for a horn",
    ),
    Slip(
        END,
        f'{END}\n{OUT}role = "charge-permit"\nhold_s = 10',
        "hold_s",
        "output[x].hold_s",
        "lost data holds only a load-permit",
    ),
    Slip(
        END,
        f'{END}\n{OUT}role = "horn"\npin = "GPIO28"',
        "GPIO28",
        "output[x].pin",
        "'GPIO28' does not fit",
        "GPIO27",
    ),
    Slip(
        END,
        f'{END}\n[gpio]\npins = "lgpio"\n{OUT}role = "horn"',
        "[[output]]",
        "output[x].pin",
        "is missing",
    ),
    Slip(
        END,
        f'{END}\n{OUT}role = "horn"\nrules = ["low-cel"]',
        "rules",
        "output[x].rules[1]",
        "unknown rule 'low-cel'",
        "'low-cell'?",
    ),
    # rules
    Slip(
        END,
        f'{END}\n[[rule]]\nname = "low-cel"\ntrip_v = 3',
        "[[rule]]",
        "rule[low-cel].measure",
        "is missing",
        "'low-cell'?",
    ),
    Slip(
        END,
        f'{END}\n{RULE}measure = "lowest-cel"',
        "lowest-cel",
        "rule[x].measure",
        "unknown measure",
        "'lowest-cell'?",
    ),
    Slip(
        END,
        f'{END}\n{RULE}measure = "lowest-cell"\ntrip_v = 3',
        "[[rule]]",
        "rule[x].clear_v",
        "is missing",
    ),
    Slip(
        END,
        f'{END}\n{RULE}measure = "lowest-cell"\ntrip_v = 3\nclear_v = 3.0',
        "clear_v",
        "rule[x].clear_v",
        "equals the trip limit",
    ),
    Slip(
        END,
        f'{END}\n{RULE}measure = "coldest"\ntrip_c = 3\nclear_degc = 4',
        "trip_c",
        "rule[x].trip_c",
        "unknown key",
        "trip_degc for degrees Celsius, trip_rate for multiples of 1C",
    ),
    Slip(
        END,
        f'{END}\n[[rule]]\nname = "low-cell"\ntrip_degc = 3',
        "trip_degc",
        "rule[low-cell].trip_degc",
        "lowest-cell is measured in V",
        "trip_v",
    ),
    Slip(
        END,
        f'{END}\n[[rule]]\nname = "high-cell"\nclear_v = 3.7',
        "clear_v",
        "rule[high-cell].clear_v",
        "on the wrong side of 3.600 V",
        "below 3.600 V",
    ),
    Slip(
        END,
        f'{END}\n[[rule]]\nname = "low-cell"\nclear_v = 2.9',
        "clear_v",
        "rule[low-cell].clear_v",
        "on the wrong side of 3.000 V",
        "above 3.000 V",
    ),
    Slip(
        END,
        f'{END}\n[[rule]]\nname = "low-cell"\nmeasure = "coldest"',
        "measure",
        "rule[low-cell].measure",
        "is on lowest-cell",
        "a new name",
    ),
    Slip(
        END,
        f'{END}\n[[rule]]\nname = "low-cell"\npriority = "urgent"',
        "priority",
        "rule[low-cell].priority",
        "unknown priority 'urgent'",
        "high, low, medium",
    ),
    Slip(
        END,
        f'{END}\n[[rule]]\nname = "low-cell"\nactions = ["charge-permt"]',
        "actions",
        "rule[low-cell].actions[1]",
        "no rule can act on 'charge-permt'",
        "'charge-permit'?",
    ),
    Slip(
        END,
        f'{END}\n[[rule]]\nname = "low-cell"\nactions = ["horn"]',
        "actions",
        "rule[low-cell].actions[1]",
        "no rule can act on 'horn'",
        "priority",
    ),
    Slip(
        END,
        f'{END}\n[[rule]]\nname = "low-cell"\nsuppressed_by = ["cold"]',
        "suppressed_by",
        "rule[low-cell].suppressed_by[1]",
        "unknown rule 'cold'",
    ),
    Slip(
        END,
        f'{END}\n[[rule]]\nname = "source-lost"\ntrip_s = 30',
        "trip_s",
        "rule[source-lost].trip_s",
        "is the stale time",
        "stale_s",
    ),
    Slip(
        END,
        f"{END}\n[[rule]]\nname = 'low-cell'\ngate = {{ measure = 'coldest' }}",
        "gate",
        "rule[low-cell].gate",
        "has no bound",
        "at_least_degc",
    ),
    Slip(
        END,
        f"{END}\n[[rule]]\nname = 'low-cell'\n"
        "gate = { measure = 'coldest', at_least_v = 3 }",
        "gate",
        "rule[low-cell].gate.at_least_v",
        "measured in degC",
        "at_least_degc",
    ),
    # the grammar of TOML
    Slip("= 280", "= 28O", "28O", "capacity_ah", "not TOML", "key = value"),
    Slip(
        "= 280", "=", "capacity_ah", "capacity_ah", "not TOML: invalid value", "quotes"
    ),
    Slip('"left"', '"left', "left", "name", "not TOML: illegal character", "quotes"),
    Slip(
        "= 280",
        "= 280\ncapacity_ah = 281",
        "281",
        "capacity_ah",
        "not TOML: cannot overwrite a value",
        "each key once",
    ),
]
