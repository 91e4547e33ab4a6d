"""Proof tests: outputs driven by a virtual reading, a person's eyes, and a record.

`Bench` is the daemon's half; everything else runs in `tocsin prove`.
"""

from tocsin.prove.bench import Bench

__all__ = ["Bench"]
