"""A battery bank that behaves like one, served over the real protocols.

With it a site is rehearsed before anybody owns it: the daemon reads the simulated
packs over Modbus or CAN as it would read real ones, and the simulated contactors follow
it.
"""
