"""Settings that every test shares."""

from __future__ import annotations

from hypothesis import HealthCheck, settings

# How long an example takes says nothing about whether it is right, and a loaded
# machine must not fail it. Timing claims live in the benchmarks.
settings.register_profile(
    "patient", deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("patient")
