"""Circuits on paper: is an output wired so that it works, and fails safe?"""

from tocsin.core.circuit.finding import Check, Finding, Verdict, worst
from tocsin.core.circuit.judge import Judged, judge, judge_all
from tocsin.core.circuit.model import (
    Circuit,
    Driver,
    Flyback,
    Form,
    Load,
    Pull,
    Rating,
    Supply,
)
from tocsin.core.circuit.pfd import Reliability

__all__ = [
    "Check",
    "Circuit",
    "Driver",
    "Finding",
    "Flyback",
    "Form",
    "Judged",
    "Load",
    "Pull",
    "Rating",
    "Reliability",
    "Supply",
    "Verdict",
    "judge",
    "judge_all",
    "worst",
]
