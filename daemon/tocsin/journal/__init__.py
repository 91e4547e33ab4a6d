"""The journal: what happened, kept whole."""
