"""The RV-C messages again, as a DBC text written by hand from the specification's
tables, so that cantools can stand against our own decoder."""

from __future__ import annotations

RVC_DBC = """\
VERSION ""

NS_ :

BS_:

BU_: Node

BO_ 2583690566 DC_SOURCE_STATUS_1: 8 Node
 SG_ instance : 0|8@1+ (1,0) [0|0] "" Vector__XXX
 SG_ priority : 8|8@1+ (1,0) [0|0] "" Vector__XXX
 SG_ voltage_v : 16|16@1+ (0.05,0) [0|0] "V" Vector__XXX
 SG_ discharge_a : 32|32@1+ (0.001,-2000000) [0|0] "A" Vector__XXX

BO_ 2583690310 DC_SOURCE_STATUS_2: 8 Node
 SG_ instance : 0|8@1+ (1,0) [0|0] "" Vector__XXX
 SG_ priority : 8|8@1+ (1,0) [0|0] "" Vector__XXX
 SG_ temp_c : 16|16@1+ (0.03125,-273) [0|0] "degC" Vector__XXX
 SG_ soc_pct : 32|8@1+ (0.5,0) [0|0] "%" Vector__XXX
 SG_ remaining_min : 40|16@1+ (1,0) [0|0] "min" Vector__XXX
 SG_ to_full : 56|2@1+ (1,0) [0|0] "" Vector__XXX

BO_ 2583690054 DC_SOURCE_STATUS_3: 8 Node
 SG_ instance : 0|8@1+ (1,0) [0|0] "" Vector__XXX
 SG_ priority : 8|8@1+ (1,0) [0|0] "" Vector__XXX
 SG_ soh_pct : 16|8@1+ (0.5,0) [0|0] "%" Vector__XXX
 SG_ remaining_ah : 24|16@1+ (1,0) [0|0] "Ah" Vector__XXX
 SG_ capacity_pct : 40|8@1+ (0.5,0) [0|0] "%" Vector__XXX
 SG_ ripple_mv : 48|16@1+ (1,0) [0|0] "mV" Vector__XXX

BO_ 2583611718 DC_SOURCE_STATUS_4: 8 Node
 SG_ instance : 0|8@1+ (1,0) [0|0] "" Vector__XXX
 SG_ priority : 8|8@1+ (1,0) [0|0] "" Vector__XXX
 SG_ charge_state : 16|8@1+ (1,0) [0|0] "" Vector__XXX
 SG_ desired_v : 24|16@1+ (0.05,0) [0|0] "V" Vector__XXX
 SG_ desired_a : 40|16@1+ (0.05,-1600) [0|0] "A" Vector__XXX
 SG_ battery_type : 56|4@1+ (1,0) [0|0] "" Vector__XXX

BO_ 2583611462 DC_SOURCE_STATUS_5: 8 Node
 SG_ instance : 0|8@1+ (1,0) [0|0] "" Vector__XXX
 SG_ priority : 8|8@1+ (1,0) [0|0] "" Vector__XXX
 SG_ fine_voltage_v : 16|32@1+ (0.001,0) [0|0] "V" Vector__XXX

BO_ 2583611206 DC_SOURCE_STATUS_6: 8 Node
 SG_ instance : 0|8@1+ (1,0) [0|0] "" Vector__XXX
 SG_ priority : 8|8@1+ (1,0) [0|0] "" Vector__XXX
 SG_ high_voltage_limit : 16|2@1+ (1,0) [0|0] "" Vector__XXX
 SG_ high_voltage_disconnect : 18|2@1+ (1,0) [0|0] "" Vector__XXX
 SG_ low_voltage_limit : 20|2@1+ (1,0) [0|0] "" Vector__XXX
 SG_ low_voltage_disconnect : 22|2@1+ (1,0) [0|0] "" Vector__XXX

BO_ 2583602502 DC_SOURCE_STATUS_11: 8 Node
 SG_ instance : 0|8@1+ (1,0) [0|0] "" Vector__XXX
 SG_ priority : 8|8@1+ (1,0) [0|0] "" Vector__XXX
 SG_ discharge_bus_on : 16|2@1+ (1,0) [0|0] "" Vector__XXX
 SG_ charge_bus_on : 18|2@1+ (1,0) [0|0] "" Vector__XXX
 SG_ charge_detected : 20|2@1+ (1,0) [0|0] "" Vector__XXX
 SG_ reserve_reached : 22|2@1+ (1,0) [0|0] "" Vector__XXX
 SG_ full_capacity_ah : 24|16@1+ (1,0) [0|0] "Ah" Vector__XXX
 SG_ power_w : 40|16@1+ (1,0) [0|0] "W" Vector__XXX

BO_ 2583598406 BATTERY_STATUS_1: 8 Node
 SG_ battery : 0|8@1+ (1,0) [0|0] "" Vector__XXX
 SG_ instance : 8|8@1+ (1,0) [0|0] "" Vector__XXX
 SG_ voltage_v : 16|16@1+ (0.05,0) [0|0] "V" Vector__XXX
 SG_ discharge_a : 32|32@1+ (0.001,-2000000) [0|0] "A" Vector__XXX

BO_ 2583600966 GENERIC_ALARM_STATUS: 8 Node
 SG_ alarm : 0|8@1+ (1,0) [0|0] "" Vector__XXX
 SG_ device_type : 8|8@1+ (1,0) [0|0] "" Vector__XXX
 SG_ triggered : 16|2@1+ (1,0) [0|0] "" Vector__XXX
 SG_ monitored : 18|2@1+ (1,0) [0|0] "" Vector__XXX
 SG_ acknowledged : 20|2@1+ (1,0) [0|0] "" Vector__XXX
 SG_ auto_reset : 22|2@1+ (1,0) [0|0] "" Vector__XXX
 SG_ elapsed_min : 24|16@1+ (1,0) [0|0] "min" Vector__XXX
 SG_ device_instance : 40|8@1+ (1,0) [0|0] "" Vector__XXX
"""
