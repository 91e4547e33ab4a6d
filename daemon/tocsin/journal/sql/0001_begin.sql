-- One row a fact. Nothing is ever deleted, so ids run from 1 without a gap.
-- application_id: "Tocs" in ASCII, so that another program's file is never taken over.
PRAGMA application_id = 1416586099;

CREATE TABLE migration (
    version INTEGER PRIMARY KEY,
    name TEXT NOT NULL,
    sha256 TEXT NOT NULL,
    wall_ms INTEGER NOT NULL
) STRICT;

CREATE TABLE event (
    id INTEGER PRIMARY KEY,
    run_id TEXT NOT NULL,
    seq INTEGER NOT NULL,
    boot_id TEXT NOT NULL,
    at_ms INTEGER NOT NULL,
    wall_ms INTEGER NOT NULL,
    kind TEXT NOT NULL,
    subject TEXT NOT NULL,
    detail TEXT NOT NULL,
    UNIQUE (run_id, seq)
) STRICT;

CREATE INDEX event_by_kind ON event (kind, id);
