"""The site whose packs are foretold in tests: four cells at Fern Ridge hut."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from site_files import loaded

if TYPE_CHECKING:
    from tocsin.core.site import Site

FERN_RIDGE = """\
[bank]
capacity_ah = 280
cells_in_series = 4
[protection]
low_cell_v = 2.80
high_cell_v = 3.75
[[pack]]
name = "left"
driver = "trace"
[[output]]
name = "charge"
role = "charge-permit"
"""

STAGES = """\
[[output]]
name = "drying"
role = "load-permit"
stage = 1
[[output]]
name = "kitchen"
role = "load-permit"
stage = 2
[[output]]
name = "generator"
role = "generator-call"
"""


@cache
def lfp_site(more: str = "") -> Site:
    """Return the site with the LFP preset, and *more* lines of its file."""
    with TemporaryDirectory() as folder:
        return loaded(Path(folder), FERN_RIDGE + more).site
