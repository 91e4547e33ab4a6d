"""Live sources to files: a trace of what packs say, a log of what is on a CAN bus."""

from tocsin.record.session import RecordError, Session, overhear, record
from tocsin.record.tape import Tape

__all__ = ["RecordError", "Session", "Tape", "overhear", "record"]
