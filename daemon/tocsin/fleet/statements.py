"""The statements. Rows go in a fixed order, so that two collectors never deadlock."""

from __future__ import annotations

from typing import Final, LiteralString

# What is acknowledged must outlive a crash, whatever the server's setting is.
COMMIT_FOR_SURE: Final[LiteralString] = (
    "SELECT set_config('synchronous_commit', 'on', false) "
    "WHERE current_setting('synchronous_commit') = 'off'"
)

IS_MADE: Final[LiteralString] = "SELECT to_regclass('fleet.migration')"
# Whoever made it beforehand may have given us no right to make others.
HAS_SCHEMA: Final[LiteralString] = "SELECT 1 FROM pg_namespace WHERE nspname = 'fleet'"
MAKE_SCHEMA: Final[LiteralString] = "CREATE SCHEMA fleet"

VERSION: Final[LiteralString] = "SELECT coalesce(max(version), 0) FROM fleet.migration"
MIGRATED: Final[LiteralString] = "INSERT INTO fleet.migration (version) VALUES (%s)"

# By its function's name: what the extension offers, whichever schema it lies in.
HAS_HYPERTABLES: Final[LiteralString] = (
    "SELECT 1 FROM pg_proc WHERE proname = 'create_hypertable' LIMIT 1"
)
MAKE_HYPERTABLE: Final[LiteralString] = (
    "SELECT create_hypertable('fleet.summary', 'at', "
    "chunk_time_interval => interval '1 day', if_not_exists => true, "
    "migrate_data => true)"
)

EVENTS: Final[LiteralString] = """
WITH told AS (
    SELECT * FROM unnest(
        %s::text[], %s::text[], %s::bigint[], %s::timestamptz[], %s::text[],
        %s::text[]::jsonb[]
    ) AS t (site, epoch, seq, at, kind, detail)
), new AS (
    INSERT INTO fleet.event (site, epoch, seq, at, kind, detail)
    SELECT site, epoch, seq, at, kind, detail FROM told ORDER BY site, epoch, seq
    ON CONFLICT DO NOTHING
    RETURNING site, epoch, seq, at
), counted AS (
    INSERT INTO fleet.epoch AS e
        (site, epoch, began_at, heard_at, events, last_seq, gap_since)
    SELECT site, epoch, min(at), now(), count(*), max(seq),
        CASE WHEN count(*) < max(seq) THEN now() END
    FROM new GROUP BY site, epoch ORDER BY site, epoch
    ON CONFLICT (site, epoch) DO UPDATE SET
        began_at = least(e.began_at, excluded.began_at),
        heard_at = excluded.heard_at,
        events = e.events + excluded.events,
        last_seq = greatest(e.last_seq, excluded.last_seq),
        gap_since = CASE
            WHEN e.events + excluded.events < greatest(e.last_seq, excluded.last_seq)
            THEN coalesce(e.gap_since, now())
        END
), known AS (
    INSERT INTO fleet.site (site)
    SELECT DISTINCT site FROM new ORDER BY site
    ON CONFLICT DO NOTHING
)
SELECT count(*) FROM new
"""

SUMMARIES: Final[LiteralString] = """
INSERT INTO fleet.summary (site, epoch, seq, at, detail)
SELECT * FROM unnest(
    %s::text[], %s::text[], %s::bigint[], %s::timestamptz[], %s::text[]::jsonb[]
) AS t (site, epoch, seq, at, detail)
ORDER BY site, epoch, seq
ON CONFLICT DO NOTHING
"""

# A summary of another epoch always counts as newer: clocks of sites may be set back.
NEWEST: Final[LiteralString] = """
INSERT INTO fleet.site AS s (site, name, epoch, seq, at, summary, heard_at)
SELECT site, name, epoch, seq, at, detail, now() FROM unnest(
    %s::text[], %s::text[], %s::text[], %s::bigint[], %s::timestamptz[],
    %s::text[]::jsonb[]
) AS t (site, name, epoch, seq, at, detail)
ON CONFLICT (site) DO UPDATE SET
    name = excluded.name, epoch = excluded.epoch, seq = excluded.seq,
    at = excluded.at, summary = excluded.summary, heard_at = excluded.heard_at
WHERE s.epoch IS DISTINCT FROM excluded.epoch OR s.seq < excluded.seq
"""

STATES: Final[LiteralString] = """
INSERT INTO fleet.site AS s (site, state, state_at, heard_at)
SELECT site, state, now(), CASE WHEN state IN ('init', 'ready') THEN now() END
FROM unnest(%s::text[], %s::text[]) AS t (site, state)
ON CONFLICT (site) DO UPDATE SET
    state = excluded.state, state_at = excluded.state_at,
    heard_at = coalesce(excluded.heard_at, s.heard_at)
"""

ASIDE: Final[LiteralString] = """
INSERT INTO fleet.aside (topic, payload, reason)
SELECT * FROM unnest(%s::text[], %s::bytea[], %s::text[])
"""
FORGET_ASIDE: Final[LiteralString] = """
DELETE FROM fleet.aside WHERE id <= (SELECT max(id) FROM fleet.aside) - %s
"""

SITES: Final[LiteralString] = """
SELECT s.site, s.name, s.state, extract(epoch FROM now() - s.heard_at), s.summary,
    coalesce(g.missing, 0)
FROM fleet.site s LEFT JOIN (
    SELECT site, sum(last_seq - events) AS missing FROM fleet.epoch
    WHERE gap_since < now() - interval '1 minute' GROUP BY site
) g USING (site)
ORDER BY s.site
"""
