"""Sources and outputs that the daemon finds by name."""
