"""Settings that every test shares."""

from __future__ import annotations

import signal

from hypothesis import HealthCheck, settings

# How long an example takes says nothing about whether it is right, and a loaded
# machine must not fail it. Timing claims live in the benchmarks.
settings.register_profile(
    "patient", deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("patient")

# A shell starts what it puts into the background deaf to Ctrl-C, and so would be every
# program that a test starts, and stops like that.
signal.signal(signal.SIGINT, signal.default_int_handler)
