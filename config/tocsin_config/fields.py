"""What every table of a file shares: strictness, and words for what is right."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pydantic import BaseModel, ConfigDict, Field

if TYPE_CHECKING:
    from enum import StrEnum

NAME = r"^[A-Za-z0-9_-]{1,64}$"
NAME_RIGHT = "a name of letters, digits, - and _, such as {}"
HOST = r"^[^\s/]{1,253}$"
PORT = {"ge": 1, "le": 65_535}
PORT_RIGHT = "a port number from 1 to 65535"


def whole(text: str) -> int:
    """Return the number that *text* writes in decimal, or in hexadecimal after 0x.

    Unlike TOML, a range within a text may have zeros in front: 0400 is 400.
    """
    return int(text, 16 if "x" in text.lower() else 10)


class Table(BaseModel):
    """A table of the file: no unknown keys, no guessing of types."""

    model_config = ConfigDict(
        defer_build=True, frozen=True, extra="forbid", strict=True, allow_inf_nan=False
    )


def needed(right: str, example: object, **bounds: Any) -> Any:  # noqa: ANN401 pydantic's own
    """Return a field that must be there; *right* says what would be right."""
    return Field(description=right, examples=[example], **bounds)


def optional(right: str, default: object = None, **bounds: Any) -> Any:  # noqa: ANN401 pydantic's own
    """Return a field with a default; *right* says what would be right."""
    return Field(default, description=right, **bounds)


def choice(what: str, kinds: type[StrEnum] | tuple[str, ...], **more: Any) -> Any:  # noqa: ANN401 pydantic's own
    """Return a field that holds one word of a list; *what* is such a word called."""
    words = [str(getattr(kind, "value", kind)) for kind in kinds]
    more.setdefault("description", f"one of {', '.join(words)}")
    more["json_schema_extra"] = {"what": what, "choices": words}
    return Field(**more)


def name_field(example: str) -> Any:  # noqa: ANN401 pydantic's own
    """Return a field for a name that is safe in topics and files."""
    return needed(NAME_RIGHT.format(f'"{example}"'), example, pattern=NAME)
