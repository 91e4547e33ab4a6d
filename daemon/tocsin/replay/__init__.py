"""Recorded traces, played through the same core as fast as it goes."""

from tocsin.replay.play import Played, Told, play
from tocsin.replay.trace import Row, TraceError, read_trace

__all__ = ["Played", "Row", "Told", "TraceError", "play", "read_trace"]
