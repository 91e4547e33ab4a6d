"""Recorded traces, played through the same core as fast as it goes."""

from tocsin.replay.play import Played, play
from tocsin.replay.trace import Row, TraceError, read_trace

__all__ = ["Played", "Row", "TraceError", "play", "read_trace"]
