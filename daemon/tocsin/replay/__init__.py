"""Recorded traces, played through the same core as fast as it goes."""

from tocsin.replay.play import Played, Told, play

__all__ = ["Played", "Told", "play"]
