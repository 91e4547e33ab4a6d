"""What a terminal shows, as an SVG file of our own: text and colours, nothing more."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

from rich.console import Console

if TYPE_CHECKING:
    from pathlib import Path

    from rich.console import RenderableType

WIDTH = 112

FORMAT = """\
<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}">
<style>.{unique_id}-matrix {{ font-family: monospace; font-size: {char_height}px; \
line-height: {line_height}px; }}
{styles}</style>
<defs><clipPath id="{unique_id}-clip-terminal"><rect x="0" y="0" \
width="{terminal_width}" height="{terminal_height}"/></clipPath>
{lines}</defs>
<rect width="100%" height="100%" fill="#0c0c0c"/>
<g transform="translate({terminal_x}, {terminal_y})" \
clip-path="url(#{unique_id}-clip-terminal)">{backgrounds}
<g class="{unique_id}-matrix">{matrix}</g></g>
</svg>
"""


def save(path: Path, picture: RenderableType) -> None:
    """Draw *picture* into the file at *path*.

    Raises:
        OSError: the file cannot be written.
    """
    console = Console(width=WIDTH, record=True, file=io.StringIO(), force_terminal=True)
    console.print(picture)
    path.write_text(
        console.export_svg(title="", code_format=FORMAT, unique_id="tocsin"), "utf-8"
    )
