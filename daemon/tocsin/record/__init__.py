"""Live sources to files: a trace of what packs say, a log of what is on a CAN bus."""

from tocsin.record.live import RecordError, Recording, overhear, record
from tocsin.record.tape import Tape

__all__ = ["RecordError", "Recording", "Tape", "overhear", "record"]
