"""The history: samples of every pack, thinned with age, beside the journal.

`History` keeps what the daemon hears without ever holding it up. What pages, plots and
reports read it with is in `tocsin.history.reader`.
"""

from tocsin.history.kinds import HistoryError
from tocsin.history.writer import History

__all__ = ["History", "HistoryError"]
