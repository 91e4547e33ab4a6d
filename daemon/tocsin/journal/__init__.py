"""The journal: what happened, kept whole.

`Journal` writes facts from the event loop without ever holding it up. `read`,
`last_full_ms` and `quick_check` read from any process, while the daemon runs or from a
copy.
"""

from tocsin.journal.reader import follow, last_full_ms, quick_check, read
from tocsin.journal.rows import JournalError, Row, Stamps
from tocsin.journal.writer import Journal

__all__ = [
    "Journal",
    "JournalError",
    "Row",
    "Stamps",
    "follow",
    "last_full_ms",
    "quick_check",
    "read",
]
