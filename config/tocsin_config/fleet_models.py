"""The ``[fleet]`` table, as a pydantic model."""

from __future__ import annotations

from tocsin_config.fields import HOST, PORT, PORT_RIGHT, Table, needed, optional
from tocsin_config.tls import TlsTable  # noqa: TC001 pydantic reads it


class FleetTable(Table):
    """``[fleet]``: a second link, to the broker of a fleet. Nothing obeys it."""

    host: str = needed(
        'a host, such as "fleet.example.org"', "fleet.example.org", pattern=HOST
    )
    port: int | None = optional(
        f"{PORT_RIGHT}; 1883 if not said, 8883 with a tls table", **PORT
    )
    name: str = optional(
        "what the fleet calls this site, in lower-case letters, digits and dashes; "
        "the site's own name if not said",
        "",
        pattern=r"^([a-z0-9][a-z0-9-]{0,63})?$",
    )
    username: str = optional("a user name in quotes", "")
    password_file: str | None = optional(
        "a file that holds the password alone", min_length=1
    )
    keepalive_s: int = optional("seconds, 5 to 3600, such as 60", 60, ge=5, le=3_600)
    history: bool = optional(
        "true if pages of the history may be asked for; false if not said",
        default=False,
    )
    tls: TlsTable | None = optional(
        'a [fleet.tls] table with ca = "ca.crt"; certificate and key where the broker '
        "wants ours",
        None,
    )
