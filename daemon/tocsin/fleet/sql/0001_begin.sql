-- What a fleet's sites told. Times of sites are by their own clocks and may jump;
-- heard_at and state_at are by the database's.

CREATE TABLE fleet.migration (
    version int PRIMARY KEY,
    at timestamptz NOT NULL DEFAULT now()
);

CREATE TABLE fleet.site (
    site text PRIMARY KEY,
    name text NOT NULL DEFAULT '',
    state text NOT NULL DEFAULT 'unknown',
    state_at timestamptz,
    heard_at timestamptz,          -- the last sign of life
    epoch text,                    -- of the newest summary, likewise
    seq bigint,
    at timestamptz,
    summary jsonb
) WITH (fillfactor = 60);

CREATE TABLE fleet.event (
    site text NOT NULL,
    epoch text NOT NULL,           -- the run that wrote it
    seq bigint NOT NULL,           -- its number in that run, from 1 without a gap
    at timestamptz NOT NULL,
    kind text NOT NULL,
    detail jsonb NOT NULL,
    heard_at timestamptz NOT NULL DEFAULT now(),
    PRIMARY KEY (site, epoch, seq)
);
CREATE INDEX event_at ON fleet.event (site, at);

CREATE TABLE fleet.epoch (
    site text NOT NULL,
    epoch text NOT NULL,
    began_at timestamptz NOT NULL,
    heard_at timestamptz NOT NULL,
    events bigint NOT NULL,        -- ever stored, also those deleted since
    last_seq bigint NOT NULL,
    gap_since timestamptz,         -- events below last_seq are missing since
    PRIMARY KEY (site, epoch)
) WITH (fillfactor = 60);
CREATE INDEX epoch_gap ON fleet.epoch (site) WHERE gap_since IS NOT NULL;

CREATE VIEW fleet.event_in_order AS
    SELECT event.*, epoch.began_at
    FROM fleet.event JOIN fleet.epoch USING (site, epoch)
    ORDER BY event.site, epoch.began_at, event.epoch, event.seq;

CREATE TABLE fleet.summary (
    site text NOT NULL,
    epoch text NOT NULL,
    seq bigint NOT NULL,
    at timestamptz NOT NULL,
    detail jsonb NOT NULL,
    PRIMARY KEY (site, epoch, seq, at)
);
CREATE INDEX summary_at ON fleet.summary (site, at);

CREATE TABLE fleet.aside (         -- what could not be read, and why
    id bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    heard_at timestamptz NOT NULL DEFAULT now(),
    topic text NOT NULL,
    payload bytea NOT NULL,
    reason text NOT NULL
);
