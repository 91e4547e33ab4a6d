-- Forget what is old: psql -v summaries='30 days' -v events='5 years' -f retention.sql
-- Run it daily, from a timer. Counts in fleet.epoch stay, so nothing deleted here is
-- told as missing later.

DELETE FROM fleet.summary WHERE at < now() - :'summaries'::interval;
DELETE FROM fleet.event WHERE heard_at < now() - :'events'::interval;
DELETE FROM fleet.aside WHERE heard_at < now() - :'summaries'::interval;
