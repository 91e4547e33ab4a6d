"""Looks at the machine that the daemon runs on, or will, and says what to do.

`judge_*` are pure: what was seen in, findings out. `probe_*` see, each look within a
time of its own; one that hangs is a finding. Nothing is written, no pin is claimed.
"""

from tocsin.doctor.examine import examine
from tocsin.doctor.finding import Finding, State, Topic
from tocsin.doctor.machine import Machine

__all__ = ["Finding", "Machine", "State", "Topic", "examine"]
