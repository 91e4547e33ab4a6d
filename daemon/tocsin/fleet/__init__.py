"""What a fleet's own machine does: keeps what many sites tell, and says how they stand.

`Collector` takes what comes from the broker to a `Store`, a PostgreSQL database;
`standing` judges the sites. Nothing here is part of a site's daemon, and nothing here
can change anything at a site.
"""

from tocsin.fleet.collector import Collector, Counts
from tocsin.fleet.ports import Batch, Site, StoreError, Written
from tocsin.fleet.standing import Limits, Standing, standings

__all__ = [
    "Batch",
    "Collector",
    "Counts",
    "Limits",
    "Site",
    "Standing",
    "StoreError",
    "Written",
    "standings",
]
