"""The site file: models, loader with line numbers, chemistry presets, checks."""

from tocsin_config.build import load
from tocsin_config.cautions import cautions
from tocsin_config.circuits import judged
from tocsin_config.doubts import doubts
from tocsin_config.driven import driven_by
from tocsin_config.plain import plain_circuit, plain_keys
from tocsin_config.problems import Problem, SiteFileError, suggestion
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
    "judged",
    "load",
    "plain_circuit",
    "plain_keys",
    "short_limits",
    "suggestion",
]
