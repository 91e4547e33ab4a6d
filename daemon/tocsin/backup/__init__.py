"""One archive of all that a site would miss: site file, journal, history, records.

A tar file, compressed with gzip, whose first member `manifest.json` names every other
with its length and SHA-256. `collect` and `write` make one, also beside a running
daemon; `Archive` checks one to its last byte before anything is taken from it, and
`put_back` moves its files into place, all of them or none.
"""

from tocsin.backup.manifest import BackupError, Entry, Kind, Manifest
from tocsin.backup.pack import Collected, collect, write
from tocsin.backup.unpack import Archive, Places, put_back

__all__ = [
    "Archive",
    "BackupError",
    "Collected",
    "Entry",
    "Kind",
    "Manifest",
    "Places",
    "collect",
    "put_back",
    "write",
]
