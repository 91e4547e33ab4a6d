"""What a site's voltage limits give before the cut-offs, worked out before power-up."""

from tocsin.core.paper.cell import CHARGES, LOADS, TEMPS_C, Case, Run
from tocsin.core.paper.leads import Lead, LeadTimes, Paper, Side, on_paper, rounded_down

__all__ = [
    "CHARGES",
    "LOADS",
    "TEMPS_C",
    "Case",
    "Lead",
    "LeadTimes",
    "Paper",
    "Run",
    "Side",
    "on_paper",
    "rounded_down",
]
