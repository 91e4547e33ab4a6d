"""A site file with every table, and odd values to put into one."""

WHOLE = """\
[site]
name = "Fern Ridge hut"
[bank]
chemistry = "lfp"
capacity_ah = 280
cells_in_series = 4
[protection]
low_cell_v = 2.80
high_cell_v = 3.75
cold_charge_c = 5.0
[charging]
absorption_v = 13.8
[forecast]
lead_min = 15
[[pack]]
name = "left"
driver = "sunspec"
host = "127.0.0.1"
port = 1502
unit = 1
timeout_s = 0.5
[[pack]]
name = "right"
driver = "modbus-map"
serial = "/dev/ttyUSB0"
parity = "N"
[pack.map]
max_gap = 4
[[pack.map.point]]
cells = "1..4 at 0x1000 step 1"
scale = 0.001
absent = [0xFFFF, 0x8000]
[[pack.map.point]]
role = "flags"
address = 7
bits = { "cold-trip" = 1 }
[[output]]
name = "charge"
role = "charge-permit"
pin = "GPIO17"
[[output]]
name = "heat"
role = "load-permit"
stage = 1
hold_s = 60
[[output]]
name = "horn"
role = "horn"
rules = ["low-cell"]
[output.circuit]
supply = "converter"
supply_v = 12
load = "vehicle-horn"
load_a = 5
load_min_v = 10
load_max_v = 15
load_flyback = "diode"
length_m = 8
awg = "10"
conductor_c = 40
ambient_c = 60
insulation_c = 105
fuse_a = 10
fuse_v = 32
contact_v = 30
contact_a = 30
contact_rating = "resistive"
contacts_in_series = 1
coil_ma = 35
flyback = "diode"
driver = "transistor"
pull = "down"
[output.reliability]
parts = { relay = 3e-7 }
proof_test_months = 12
coverage_pct = 90
life_years = 15
[[rule]]
name = "low-cell"
trip_v = 3.05
actions = ["generator-call"]
[[rule]]
name = "extra"
measure = "discharge-current"
trip_rate = 0.5
clear_a = 100
gate = { measure = "lowest-cell", at_most_v = 3.2 }
suppressed_by = ["low-cell"]
[gpio]
pins = "simulated"
[journal]
folder = "/var/lib/tocsin"
[mqtt]
host = "127.0.0.1"
port = 1883
[fleet]
host = "fleet.example.org"
name = "hut"
history = true
[page]
port = 8460
[timing]
poll_s = 1.0
stale_s = 10
"""

ODD = [
    *("0", "-1", "1", "3.3", "1e300", "-1e-300", "nan", "-inf", "true", "1979-05-27"),
    *("9" * 400, "0x10", '""', '"x"', '"left"', '"lfp"', '"low-cell"', '"GPIO17"'),
    *('"none.toml"', '"\\u0000"', "[]", "[[]]", "[1, 'a', {}]", "{}", "{ a = 1 }"),
    *("[{ name = 'left' }]", '"""\nx = 1\n"""', "[\n1,\n2]", "'trace'", "'horn'"),
    *("", "[", '"', "{", "# gone", "[" * 2_000, "1 1", "'load-permit'", "'coldest'"),
]
