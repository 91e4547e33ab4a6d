"""Incident reports: what happened around a trip, from the daemon's own records."""

from tocsin.incident.evidence import Case, Records, case_of
from tocsin.incident.find import ABOUT, Incident, incidents, nearest
from tocsin.incident.recorded import Recording
from tocsin.incident.report import page
from tocsin.incident.story import Rules, Told, told_of
from tocsin.incident.words import EPOCH_MS, Times, headline, warned

__all__ = [
    "ABOUT",
    "EPOCH_MS",
    "Case",
    "Incident",
    "Recording",
    "Records",
    "Rules",
    "Times",
    "Told",
    "case_of",
    "headline",
    "incidents",
    "nearest",
    "page",
    "told_of",
    "warned",
]
