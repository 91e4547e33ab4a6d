"""The site file: models, loader with line numbers, chemistry presets, checks."""

from tocsin_config.build import load
from tocsin_config.cautions import cautions
from tocsin_config.doubts import doubts
from tocsin_config.driven import driven_by
from tocsin_config.problems import Problem, SiteFileError
from tocsin_config.rules import action_word
from tocsin_config.setup import Setup
from tocsin_config.short import short_limits

__all__ = [
    "Problem",
    "Setup",
    "SiteFileError",
    "action_word",
    "cautions",
    "doubts",
    "driven_by",
    "load",
    "short_limits",
]
