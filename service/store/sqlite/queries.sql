-- name: head
-- The current version of a resource.
SELECT {resource} FROM resource WHERE facility = ? AND type = ? AND id = ? AND current = 1;

-- name: version
SELECT {resource} FROM resource WHERE facility = ? AND type = ? AND id = ? AND version = ?;

-- name: versions
SELECT {resource} FROM resource WHERE facility = ? AND type = ? AND id = ? ORDER BY version DESC;

-- name: keyed
SELECT DISTINCT id FROM resource_key
WHERE facility = ? AND source = ? AND type = ? AND key IN (SELECT value FROM json_each(?)) ORDER BY id;

-- name: identified
SELECT id FROM identified WHERE facility = ? AND type = ? AND token = ? ORDER BY id;

-- name: url
SELECT type, id FROM url WHERE facility = ? AND source = ? AND url = ?;

-- name: people
SELECT token, person FROM subject
WHERE facility = ? AND token IN (SELECT value FROM json_each(?));

-- name: people_of_unit
SELECT DISTINCT s.person FROM fact f JOIN subject s ON s.facility = f.facility AND s.token = f.subject
WHERE f.facility = ? AND f.unit = ?;

-- name: tokens
SELECT token FROM subject WHERE facility = ? AND person IN (SELECT value FROM json_each(?));

-- name: facts_of_subjects
-- Every version of every fact that names one of the tokens.
SELECT {fact} FROM fact WHERE facility = ? AND subject IN (SELECT value FROM json_each(?));

-- name: facts_of_units
-- What is said of units: their descriptions and issues, whoever they name.
SELECT {fact} FROM fact
WHERE facility = ? AND unit IN (SELECT value FROM json_each(?)) AND kind IN ('unit', 'issue', 'crossmatch');

-- name: facts_of_resources
-- Units, issues, orders and places that other facts point at.
SELECT {fact} FROM fact
WHERE facility = ? AND resource IN (SELECT value FROM json_each(?))
  AND kind IN ('unit', 'issue', 'order', 'location');

-- name: acts_of
SELECT key, at, kind, body FROM act WHERE facility = ? AND person IN (SELECT value FROM json_each(?));

-- name: act
SELECT key, at, kind, body FROM act WHERE facility = ? AND key = ?;

-- name: emitted_of
SELECT {emitted} FROM emitted WHERE facility = ? AND person IN (SELECT value FROM json_each(?));

-- name: starts_of_units
SELECT unit, at, step, subject FROM unit_start
WHERE facility = ? AND unit IN (SELECT value FROM json_each(?)) ORDER BY unit, at, step;

-- name: unit_seqs
SELECT unit, seq FROM unit WHERE facility = ? AND unit IN (SELECT value FROM json_each(?));

-- name: states
SELECT person, seq, as_of, next_wake FROM person
WHERE facility = ? AND person IN (SELECT value FROM json_each(?));

-- name: claim
SELECT s.unit, s.subject, s.person, s.step, s.identifier, s.at
FROM unit_claim c JOIN unit_start s ON s.facility = c.facility AND s.step = c.step
WHERE c.facility = ? AND c.unit = ?;

-- name: due
SELECT facility, person FROM person WHERE next_wake <= ? ORDER BY next_wake LIMIT ?;

-- name: next_due
SELECT min(next_wake) FROM person WHERE next_wake IS NOT NULL;

-- name: nudged
SELECT id, facility, person, why FROM nudge WHERE done = 0 ORDER BY id LIMIT ?;

-- name: outbox_row
SELECT {outbox} FROM outbox WHERE id = ?;

-- name: attempts
SELECT a.id, a.partner, a.at, a.outcome, a.status, a.detail
FROM attempt_row r JOIN attempt a ON a.id = r.attempt WHERE r.row = ? ORDER BY a.id;

-- name: attempt_rows
SELECT row FROM attempt_row WHERE attempt = ? ORDER BY row;

-- name: delivered
SELECT {outbox} FROM outbox
WHERE partner = ? AND key = ? AND state = 'delivered' ORDER BY version DESC LIMIT 1;

-- name: identity
SELECT key FROM outbox WHERE resource_id = ? LIMIT 1;

-- name: learned
SELECT name, value FROM learned WHERE partner = ?;

-- name: audited
SELECT seq, at, action, who, outcome, subject, detail FROM audit
WHERE facility = ? AND seq > ? ORDER BY seq LIMIT ?;

-- name: open_streams
-- Unclaimed streams whose first row may go now, the critical and then the oldest first. Behind a
-- parked row the first row is the first critical one.
WITH open AS (
  SELECT stream, max(critical AND state <> 'parked') AS critical, coalesce(max(lease), 0) AS lease,
    iif(max(state = 'parked'), min(iif(critical AND state <> 'parked', id, NULL)),
      min(iif(state <> 'parked', id, NULL))) AS first
  FROM outbox WHERE partner = ?1 AND state IN ('pending', 'sent', 'parked') GROUP BY stream)
SELECT open.stream FROM open JOIN outbox f ON f.id = open.first
WHERE open.lease <= ?2 AND coalesce(f.next_at, 0) <= ?2
ORDER BY open.critical DESC, open.first LIMIT ?3;

-- name: stream_rows
SELECT {outbox}, lease FROM outbox
WHERE partner = ? AND stream = ? AND state IN ('pending', 'sent', 'parked') ORDER BY id;

-- name: supersede_older
-- An older version that was never tried goes nowhere once a newer one is waiting.
UPDATE outbox SET state = 'superseded'
WHERE partner = ? AND stream = ? AND state = 'pending' AND attempts = 0 AND EXISTS (
  SELECT 1 FROM outbox n WHERE n.partner = outbox.partner AND n.key = outbox.key
    AND n.facility = outbox.facility AND n.version > outbox.version AND n.state = 'pending');

-- name: lease_rows
UPDATE outbox SET lease = ? WHERE id IN (SELECT value FROM json_each(?));

-- name: release_rows
UPDATE outbox SET lease = NULL WHERE id IN (SELECT value FROM json_each(?)) AND lease = ?;

-- name: record_row
UPDATE outbox SET state = ?, attempts = ?, next_at = ?, lease = NULL, last_outcome = ?, etag = ?,
  flagged = ? WHERE id = ?;

-- name: add_attempt
INSERT INTO attempt (partner, at, outcome, status, detail) VALUES (?, ?, ?, ?, ?) RETURNING id;

-- name: add_attempt_row
INSERT INTO attempt_row (row, attempt) VALUES (?, ?);

-- name: learn
INSERT INTO learned (partner, name, value) VALUES (?, ?, ?)
ON CONFLICT DO UPDATE SET value = excluded.value;

-- name: learn_first
-- Keeps what another process learned a moment earlier.
INSERT INTO learned (partner, name, value) VALUES (?, ?, ?) ON CONFLICT DO NOTHING;

-- name: forget
DELETE FROM learned WHERE partner = ? AND name = ?;

-- name: add_received
INSERT INTO received (facility, id, source, at, release, interaction, body) VALUES (?, ?, ?, ?, ?, ?, ?);

-- name: retire_head
UPDATE resource SET current = 0 WHERE facility = ? AND type = ? AND id = ? AND current = 1;

-- name: add_resource
INSERT INTO resource (facility, type, id, version, release, source, at, digest, body, received, stamp,
  retracted, keys, current) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, 1);

-- name: key_owner
SELECT id FROM resource_key WHERE facility = ? AND source = ? AND type = ? AND key = ?;

-- name: add_key
INSERT INTO resource_key (facility, source, type, key, id) VALUES (?, ?, ?, ?, ?);

-- name: add_identified
INSERT OR IGNORE INTO identified (facility, type, token, id) VALUES (?, ?, ?, ?);

-- name: drop_values
DELETE FROM search_value WHERE facility = ? AND type = ? AND id = ?;

-- name: add_value
INSERT INTO search_value (facility, type, id, param, kind, system, value, extra, low, high)
VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?);

-- name: add_fact
INSERT INTO fact (facility, key, version, kind, resource, subject, unit, source, received, stamp, digest,
  retracted, named, body) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?);

-- name: set_url
INSERT INTO url (facility, source, url, type, id) VALUES (?, ?, ?, ?, ?)
ON CONFLICT DO UPDATE SET type = excluded.type, id = coalesce(excluded.id, id);

-- name: set_subject
INSERT INTO subject (facility, token, person) VALUES (?, ?, ?)
ON CONFLICT DO UPDATE SET person = excluded.person;

-- name: person_seq
SELECT seq FROM person WHERE facility = ? AND person = ?;

-- name: set_person
-- The high-water mark never goes back.
INSERT INTO person (facility, person, seq, as_of, next_wake) VALUES (?, ?, ?, ?, ?)
ON CONFLICT DO UPDATE SET seq = excluded.seq,
  as_of = max(coalesce(as_of, excluded.as_of), coalesce(excluded.as_of, as_of)),
  next_wake = excluded.next_wake;

-- name: merge_person
UPDATE person SET merged_into = ?, next_wake = NULL WHERE facility = ? AND person = ?;

-- name: move_subjects
UPDATE subject SET person = ? WHERE facility = ? AND person = ?;

-- name: move_acts
UPDATE act SET person = ? WHERE facility = ? AND person = ?;

-- name: move_emitted
UPDATE emitted SET person = ? WHERE facility = ? AND person = ?;

-- name: move_starts
UPDATE unit_start SET person = ? WHERE facility = ? AND person = ?;

-- name: unit_seq
SELECT seq FROM unit WHERE facility = ? AND unit = ?;

-- name: bump_unit
INSERT INTO unit (facility, unit, seq) VALUES (?, ?, 1) ON CONFLICT DO UPDATE SET seq = seq + 1;

-- name: head_version
SELECT version FROM resource WHERE facility = ? AND type = ? AND id = ? AND current = 1;

-- name: add_act
INSERT INTO act (facility, key, person, at, kind, body) VALUES (?, ?, ?, ?, ?, ?);

-- name: set_emitted
INSERT INTO emitted (facility, key, person, stream, kind, digest, version, content, roles, critical, state)
VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
ON CONFLICT DO UPDATE SET person = excluded.person, stream = excluded.stream, digest = excluded.digest,
  version = excluded.version, content = excluded.content, roles = excluded.roles,
  critical = excluded.critical, state = excluded.state;

-- name: add_outbox
INSERT INTO outbox (facility, partner, key, version, stream, grp, type, resource_id, body, critical,
  created, state, attempts, next_at, lease, last_outcome, etag, flagged, retires)
VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, 0, NULL, NULL, NULL, NULL, NULL, ?);

-- name: touched
-- How many rows of an identity at a partner may have left, or are about to.
SELECT count(*) FROM outbox WHERE facility = ? AND partner = ? AND key = ?
  AND (attempts > 0 OR state IN ('sent', 'delivered', 'parked') OR lease IS NOT NULL);

-- name: supersede_all
UPDATE outbox SET state = 'superseded' WHERE facility = ? AND partner = ? AND key = ? AND state = 'pending';

-- name: set_start
INSERT INTO unit_start (facility, step, unit, subject, person, identifier, at) VALUES (?, ?, ?, ?, ?, ?, ?)
ON CONFLICT DO UPDATE SET unit = excluded.unit, subject = excluded.subject, person = excluded.person,
  identifier = excluded.identifier, at = excluded.at;

-- name: drop_start
DELETE FROM unit_start WHERE facility = ? AND step = ? RETURNING unit;

-- name: started_unit
SELECT unit FROM unit_start WHERE facility = ? AND step = ?;

-- name: drop_claim
DELETE FROM unit_claim WHERE facility = ? AND unit = ?;

-- name: set_claim
INSERT INTO unit_claim (facility, unit, step)
SELECT facility, unit, step FROM unit_start WHERE facility = ? AND unit = ?
ORDER BY at, identifier, step LIMIT 1;

-- name: add_nudge
INSERT INTO nudge (facility, person, why) VALUES (?, ?, ?);

-- name: done_nudge
UPDATE nudge SET done = 1 WHERE id = ?;

-- name: add_audit
INSERT INTO audit (facility, at, action, who, outcome, subject, detail) VALUES (?, ?, ?, ?, ?, ?, ?);
