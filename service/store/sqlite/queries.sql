-- Every query of the store. "-- name:" names it, the comment below says what it is for.
-- {resource}, {fact}, {emitted} and {outbox} stand for the column lists in codec.py.
-- A query whose name ends in _holds answers 1 when an expectation of a change still holds.

-- name: head
-- The current version of a resource.
SELECT {resource} FROM resource WHERE facility = ? AND type = ? AND id = ? AND current = 1;

-- name: version
-- One version of a resource.
SELECT {resource} FROM resource WHERE facility = ? AND type = ? AND id = ? AND version = ?;

-- name: versions
-- Every version of a resource.
SELECT {resource} FROM resource WHERE facility = ? AND type = ? AND id = ? ORDER BY version DESC;

-- name: keyed
-- Which resources of a source have one of these keys.
SELECT DISTINCT id FROM resource_key
WHERE facility = ? AND source = ? AND type = ? AND key IN (SELECT value FROM json_each(?)) ORDER BY id;

-- name: identified
-- Which resources bear an identifier.
SELECT id FROM identified WHERE facility = ? AND type = ? AND token = ? ORDER BY id;

-- name: url
-- What an absolute URL of a source means.
SELECT type, id FROM url WHERE facility = ? AND source = ? AND url = ?;

-- name: people
-- Who these tokens are.
SELECT token, person FROM subject
WHERE facility = ? AND token IN (SELECT value FROM json_each(?));

-- name: people_of_unit
-- Who has a fact that names the unit, or a description or issue of it.
SELECT DISTINCT s.person
FROM unit_subject u JOIN subject s ON s.facility = u.facility AND s.token = u.subject
WHERE u.facility = ?1 AND u.unit IN (
  SELECT ?2 UNION
  SELECT resource FROM fact INDEXED BY fact_unit
  WHERE facility = ?1 AND unit = ?2 AND kind IN ('unit', 'issue'));

-- name: tokens
-- Every token of these people.
SELECT token FROM subject WHERE facility = ? AND person IN (SELECT value FROM json_each(?));

-- name: facts_of_subjects
-- Every version of every fact of which one version names one of the tokens.
SELECT {fact} FROM fact WHERE facility = ?1 AND key IN (
  SELECT key FROM fact WHERE facility = ?1 AND subject IN (SELECT value FROM json_each(?2)));

-- name: facts_of_units
-- What is said of units, whoever it names: descriptions, issues and crossmatches.
SELECT {fact} FROM fact WHERE facility = ?1 AND key IN (
  SELECT key FROM fact WHERE facility = ?1 AND unit IN (SELECT value FROM json_each(?2))
    AND kind IN ('unit', 'issue', 'crossmatch'));

-- name: facts_named
-- Units, issues, orders, places and devices that other facts point at.
SELECT {fact} FROM fact
WHERE facility = ?1 AND kind IN ('unit', 'issue', 'order', 'location', 'device') AND resource IN (
  SELECT value FROM json_each(?2) UNION
  SELECT n.resource FROM json_each(?2) j CROSS JOIN fact_name n ON n.facility = ?1 AND n.name = j.value);

-- name: acts_of
-- Every act in the cases of these people.
SELECT key, at, kind, body FROM act INDEXED BY act_person
WHERE facility = ? AND person IN (SELECT value FROM json_each(?)) ORDER BY key;

-- name: judged_of
-- What was kept of the judgements of a person's case.
SELECT body FROM judged WHERE facility = ? AND person = ?;

-- name: act
-- One act.
SELECT key, at, kind, body FROM act WHERE facility = ? AND key = ?;

-- name: emitted_of
-- Everything that was last decided in the cases of these people.
SELECT {emitted} FROM emitted INDEXED BY emitted_person
WHERE facility = ? AND person IN (SELECT value FROM json_each(?)) ORDER BY key;

-- name: starts_of_units
-- Every start of these units.
SELECT unit, at, step, subject FROM unit_start
WHERE facility = ? AND unit IN (SELECT value FROM json_each(?)) ORDER BY unit, at, step;

-- name: unit_seqs
-- Where each unit's sequence stands.
SELECT unit, seq FROM unit WHERE facility = ? AND unit IN (SELECT value FROM json_each(?));

-- name: states
-- Where each case stands.
SELECT person, seq, as_of, next_wake FROM person
WHERE facility = ? AND person IN (SELECT value FROM json_each(?));

-- name: claim
-- The start that holds a unit.
SELECT s.unit, s.subject, s.person, s.step, s.identifier, s.at
FROM unit_claim c JOIN unit_start s ON s.facility = c.facility AND s.step = c.step
WHERE c.facility = ? AND c.unit = ?;

-- name: due
-- Cases whose next wake has come.
SELECT facility, person FROM person WHERE next_wake <= ? ORDER BY next_wake, person LIMIT ?;

-- name: next_due
-- The earliest next wake.
SELECT min(next_wake) FROM person WHERE next_wake IS NOT NULL;

-- name: nudged
-- Nudges that nobody has answered.
SELECT id, facility, person, why FROM nudge WHERE done = 0 ORDER BY id LIMIT ?;

-- name: outbox_listed
-- Rows of a partner, or of all, in these states, or in any; newest first.
SELECT {outbox} FROM outbox
WHERE (?1 IS NULL OR partner = ?1) AND (?2 = '[]' OR state IN (SELECT value FROM json_each(?2)))
ORDER BY id DESC LIMIT ?3;

-- name: outbox_row
-- One outbox row.
SELECT {outbox} FROM outbox WHERE id = ?;

-- name: attempts
-- The attempts that carried a row.
SELECT a.id, a.partner, a.at, a.outcome, a.status, a.detail
FROM attempt_row r JOIN attempt a ON a.id = r.attempt WHERE r.row = ? ORDER BY a.id;

-- name: attempt_rows
-- The rows that an attempt carried.
SELECT row FROM attempt_row WHERE attempt = ? ORDER BY row;

-- name: delivered
-- The newest version of an identity that a partner has.
SELECT {outbox} FROM outbox
WHERE facility = ? AND partner = ? AND key = ? AND state = 'delivered' ORDER BY version DESC LIMIT 1;

-- name: identity
-- The identity behind a resource id of ours.
SELECT key FROM outbox WHERE resource_id = ? LIMIT 1;

-- name: emission
-- What was last decided for one identity.
SELECT {emitted} FROM emitted WHERE facility = ? AND key = ?;

-- name: learned
-- Everything learned about a partner.
SELECT name, value FROM learned WHERE partner = ? ORDER BY name;

-- name: audited
-- Audit rows of a facility, in order.
SELECT seq, at, action, who, outcome, subject, detail FROM audit
WHERE facility = ? AND seq > ? ORDER BY seq LIMIT ?;

-- name: audit_links
-- Audit rows with their links, in order.
SELECT at, action, who, outcome, subject, detail, chain, seq FROM audit
WHERE facility = ? ORDER BY seq;

-- name: audit_end
-- How many rows a facility's chain has, and its last link.
SELECT rows, chain FROM audit_end WHERE facility = ?;

-- name: ready_streams
-- Streams of a partner that may be sent now, the critical first, then the oldest.
SELECT facility, stream FROM stream
WHERE partner = ?1 AND head IS NOT NULL
  AND (lease IS NULL OR lease <= ?2) AND (next_at IS NULL OR next_at <= ?2)
ORDER BY critical DESC, head LIMIT ?3;

-- name: supersede_older
-- Older versions in these streams that were never tried go nowhere once a newer one is waiting.
UPDATE outbox SET state = 'superseded', claimed = NULL, doubt = 0
WHERE (partner, facility, stream) IN (
    SELECT ?1, value ->> 0, value ->> 1 FROM json_each(?2))
  AND state IN ('pending', 'sent', 'parked')
  AND +state = 'pending' AND attempts = 0 AND claimed IS NULL AND doubt = 0 AND EXISTS (
    SELECT 1 FROM outbox n WHERE n.partner = outbox.partner AND n.key = outbox.key
    AND n.facility = outbox.facility AND n.version > outbox.version AND n.state = 'pending')
RETURNING facility, stream;

-- name: stream_rows
-- What is open in these streams, in the order of commits.
SELECT {outbox} FROM outbox
WHERE (partner, facility, stream) IN (
    SELECT ?1, value ->> 0, value ->> 1 FROM json_each(?2))
  AND state IN ('pending', 'sent', 'parked') ORDER BY id;

-- name: lease_streams
-- Claims streams and says under which numbers.
UPDATE stream SET claim = claim + 1, lease = ?3
WHERE (partner, facility, stream) IN (
  SELECT ?1, value ->> 0, value ->> 1 FROM json_each(?2))
RETURNING facility, stream, claim;

-- name: claim_rows
-- Marks rows as in the hands of claims; who held them before never said what became of them.
UPDATE outbox SET doubt = doubt OR claimed IS NOT NULL, claimed = j.value ->> 1
FROM json_each(?) j WHERE outbox.id = j.value ->> 0 RETURNING id, doubt;

-- name: lost_claims
-- Rows whose stream somebody else has claimed since their claim; 0 is no claim at all.
SELECT j.value ->> 0 FROM json_each(?) j
WHERE j.value ->> 1 <> 0 AND NOT EXISTS (
  SELECT 1 FROM outbox o JOIN stream s
    ON s.partner = o.partner AND s.facility = o.facility AND s.stream = o.stream
  WHERE o.id = j.value ->> 0 AND s.claim = j.value ->> 1);

-- name: record_rows
-- Rows' new state; they leave the claim's hands.
UPDATE outbox SET state = j.value ->> 1, attempts = j.value ->> 2, next_at = j.value ->> 3,
  last_outcome = j.value ->> 4, etag = j.value ->> 5, flagged = j.value ->> 6,
  claimed = NULL, doubt = 0
FROM json_each(?) j WHERE outbox.id = j.value ->> 0
RETURNING id, partner, facility, stream;

-- name: release_rows
-- Gives rows back unless the claim was lost since.
UPDATE outbox SET claimed = NULL
WHERE id IN (SELECT value FROM json_each(?1)) AND EXISTS (
  SELECT 1 FROM stream s WHERE s.partner = outbox.partner AND s.facility = outbox.facility
    AND s.stream = outbox.stream AND s.claim = outbox.claimed AND s.lease = ?2)
RETURNING partner, facility, stream;

-- name: release_streams
-- Ends leases where no row is left in the hands of the claim.
UPDATE stream SET lease = NULL
WHERE (partner, facility, stream) IN (
    SELECT value ->> 0, value ->> 1, value ->> 2 FROM json_each(?))
  AND NOT EXISTS (
    SELECT 1 FROM outbox o
    WHERE o.partner = stream.partner AND o.facility = stream.facility AND o.stream = stream.stream
      AND o.state IN ('pending', 'sent', 'parked') AND o.claimed = stream.claim);

-- name: refresh_stream
-- What may be sent next in a stream: behind a parked row only what is critical.
WITH waiting AS MATERIALIZED (
  SELECT id, state, critical, next_at FROM outbox
  WHERE partner = ?1 AND facility = ?2 AND stream = ?3 AND state IN ('pending', 'sent', 'parked')
), sendable AS MATERIALIZED (
  SELECT id, critical, next_at FROM waiting
  WHERE state <> 'parked' AND (critical OR NOT EXISTS (SELECT 1 FROM waiting WHERE state = 'parked'))
)
INSERT INTO stream (partner, facility, stream, head, critical, next_at)
VALUES (?1, ?2, ?3, (SELECT min(id) FROM sendable), (SELECT coalesce(max(critical), 0) FROM sendable),
  (SELECT next_at FROM sendable ORDER BY id LIMIT 1))
ON CONFLICT DO UPDATE SET head = excluded.head, critical = excluded.critical,
  next_at = excluded.next_at;

-- name: add_attempt
-- Keeps a try to send.
INSERT INTO attempt (partner, at, outcome, status, detail) VALUES (?, ?, ?, ?, ?) RETURNING id;

-- name: add_attempt_rows
-- Says that an attempt carried rows.
INSERT INTO attempt_row (row, attempt) SELECT value, ?1 FROM json_each(?2);

-- name: learn
-- Keeps what was learned last.
INSERT INTO learned (partner, name, value) VALUES (?, ?, ?)
ON CONFLICT DO UPDATE SET value = excluded.value;

-- name: learn_first
-- Keeps what another process learned a moment earlier.
INSERT INTO learned (partner, name, value) VALUES (?, ?, ?) ON CONFLICT DO NOTHING;

-- name: forget
-- Forgets one thing.
DELETE FROM learned WHERE partner = ? AND name = ?;

-- name: person_holds
-- The case stands where it was read.
SELECT coalesce((SELECT seq FROM person WHERE facility = ? AND person = ?), 0) = ?;

-- name: subject_holds
-- The token is whose it was read to be.
SELECT coalesce((SELECT person FROM subject WHERE facility = ? AND token = ?), '') = ?;

-- name: unit_holds
-- The unit stands where it was read.
SELECT coalesce((SELECT seq FROM unit WHERE facility = ? AND unit = ?), 0) = ?;

-- name: head_holds
-- The resource is still at the version that was read.
SELECT coalesce((SELECT version FROM resource
  WHERE facility = ? AND type = ? AND id = ? AND current = 1), 0) = ?;

-- name: key_holds
-- A key of a source names this resource and no other.
SELECT id = ?5 FROM resource_key WHERE facility = ?1 AND source = ?2 AND type = ?3 AND key = ?4;

-- name: add_received
-- Keeps a request as it came.
INSERT INTO received (facility, id, source, at, release, interaction, body) VALUES (?, ?, ?, ?, ?, ?, ?);

-- name: retire_head
-- The version that was current is no longer.
UPDATE resource SET current = 0 WHERE facility = ? AND type = ? AND id = ? AND current = 1;

-- name: add_resource
-- A new current version.
INSERT INTO resource (facility, type, id, version, release, source, at, digest, body, received, stamp,
  retracted, keys, current) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, 1);

-- name: add_key
-- A key of a source names this resource, unless it is taken.
INSERT INTO resource_key (facility, source, type, key, id) VALUES (?, ?, ?, ?, ?) ON CONFLICT DO NOTHING;

-- name: add_identified
-- A resource bears an identifier.
INSERT INTO identified (facility, type, token, id) VALUES (?, ?, ?, ?) ON CONFLICT DO NOTHING;

-- name: drop_values
-- A new version is found only by its own values.
DELETE FROM search_value WHERE facility = ? AND type = ? AND id = ?;

-- name: add_values
-- Values under which a resource is found.
INSERT INTO search_value (facility, type, id, param, kind, system, value, extra, low, high)
SELECT ?1, ?2, ?3, value ->> 0, value ->> 1, value ->> 2, value ->> 3, value ->> 4, value ->> 5,
  value ->> 6 FROM json_each(?4);

-- name: add_fact
-- A version of a fact.
INSERT INTO fact (facility, key, version, kind, resource, subject, unit, body)
VALUES (?, ?, ?, ?, ?, ?, ?, ?);

-- name: add_withdrawal
-- A version of a fact that is not stated; one that is stored already stays as it is.
INSERT INTO fact (facility, key, version, kind, resource, subject, unit, body)
VALUES (?, ?, ?, ?, ?, ?, ?, ?)
ON CONFLICT (facility, key, version) DO NOTHING;

-- name: add_fact_name
-- Another name of an order, a place or a device.
INSERT INTO fact_name (facility, name, resource) VALUES (?, ?, ?) ON CONFLICT DO NOTHING;

-- name: add_unit_subject
-- A patient's fact names a unit.
INSERT INTO unit_subject (facility, unit, subject) VALUES (?, ?, ?) ON CONFLICT DO NOTHING;

-- name: set_url
-- What a URL means; once known it is not unlearned.
INSERT INTO url (facility, source, url, type, id) VALUES (?, ?, ?, ?, ?)
ON CONFLICT DO UPDATE SET type = excluded.type, id = coalesce(excluded.id, id);

-- name: set_subject
-- A token is this person.
INSERT INTO subject (facility, token, person) VALUES (?, ?, ?)
ON CONFLICT DO UPDATE SET person = excluded.person;

-- name: set_person
-- Where a case stands now. The high-water mark never goes back.
INSERT INTO person (facility, person, seq, as_of, next_wake) VALUES (?, ?, ?, ?, ?)
ON CONFLICT DO UPDATE SET seq = excluded.seq,
  as_of = max(coalesce(as_of, excluded.as_of), coalesce(excluded.as_of, as_of)),
  next_wake = excluded.next_wake;

-- name: merge_person
-- A person who is another's part has no wakes; readers of the old case must read again.
INSERT INTO person (facility, person, seq, merged_into) VALUES (?1, ?2, 1, ?3)
ON CONFLICT DO UPDATE SET merged_into = excluded.merged_into, next_wake = NULL, seq = seq + 1;

-- name: move_merged
-- Who was merged earlier goes along.
UPDATE person SET merged_into = ?3 WHERE facility = ?1 AND merged_into = ?2;

-- name: move_subjects
-- The tokens of a merged person.
UPDATE subject SET person = ?3 WHERE facility = ?1 AND person = ?2;

-- name: move_acts
-- The acts of a merged person.
UPDATE act SET person = ?3 WHERE facility = ?1 AND person = ?2;

-- name: move_emitted
-- The emissions of a merged person.
UPDATE emitted SET person = ?3 WHERE facility = ?1 AND person = ?2;

-- name: move_starts
-- The starts of a merged person.
UPDATE unit_start SET person = ?3 WHERE facility = ?1 AND person = ?2;

-- name: move_nudges
-- The unanswered nudges of a merged person.
UPDATE nudge SET person = ?3 WHERE facility = ?1 AND person = ?2 AND done = 0;

-- name: bump_unit
-- Whoever read the unit before must read again.
INSERT INTO unit (facility, unit, seq) VALUES (?, ?, 1) ON CONFLICT DO UPDATE SET seq = seq + 1;

-- name: set_judged
-- Keeps the judgements of a case in place of those before.
INSERT INTO judged (facility, person, body) VALUES (?, ?, ?)
ON CONFLICT DO UPDATE SET body = excluded.body;

-- name: drop_judged
-- A person who is another's part has no case.
DELETE FROM judged WHERE facility = ? AND person = ?;

-- name: add_act
-- An act, once.
INSERT INTO act (facility, key, person, at, kind, body) VALUES (?, ?, ?, ?, ?, ?);

-- name: set_emitted
-- What was last decided; an identity keeps its person and never goes back a version.
INSERT INTO emitted (facility, key, person, stream, kind, digest, version, content, roles, critical, state)
VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
ON CONFLICT DO UPDATE SET stream = excluded.stream, kind = excluded.kind, digest = excluded.digest,
  version = excluded.version, content = excluded.content, roles = excluded.roles,
  critical = excluded.critical, state = excluded.state
WHERE person = excluded.person AND version < excluded.version RETURNING 1;

-- name: supersede_untold
-- When nothing of an identity was ever tried at a partner, its waiting rows go nowhere.
UPDATE outbox SET state = 'superseded'
WHERE facility = ?1 AND partner = ?2 AND key = ?3 AND state = 'pending' AND NOT EXISTS (
  SELECT 1 FROM outbox o WHERE o.facility = ?1 AND o.partner = ?2 AND o.key = ?3
    AND (o.attempts > 0 OR o.claimed IS NOT NULL OR o.doubt OR o.state IN ('sent', 'delivered', 'parked')));

-- name: add_outbox
-- A row to send; the terminal version of what nobody was told goes nowhere either.
INSERT INTO outbox (facility, partner, key, version, stream, grp, type, resource_id, critical,
  created, attempts, next_at, last_outcome, etag, flagged, retires, state)
VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, 0, NULL, NULL, NULL, NULL, ?11,
  CASE WHEN ?11 AND NOT EXISTS (
    SELECT 1 FROM outbox o WHERE o.facility = ?1 AND o.partner = ?2 AND o.key = ?3
      AND (o.attempts > 0 OR o.claimed IS NOT NULL OR o.doubt OR o.state IN ('sent', 'delivered', 'parked')))
  THEN 'superseded' ELSE ?12 END);

-- name: add_body
-- What the row that was just written says.
INSERT INTO outbox_body (id, body) VALUES (last_insert_rowid(), ?);

-- name: drop_start
-- A step no longer starts a unit, or starts another; the claim follows by trigger.
DELETE FROM unit_start WHERE facility = ? AND step = ?;

-- name: add_start
-- A step starts a unit; the claim follows by trigger.
INSERT INTO unit_start (facility, step, unit, subject, person, identifier, at) VALUES (?, ?, ?, ?, ?, ?, ?);

-- name: add_nudge
-- Another case must look again; a merged person's nudge is the other's.
INSERT INTO nudge (facility, person, why) VALUES (?1,
  coalesce((SELECT merged_into FROM person WHERE facility = ?1 AND person = ?2), ?2), ?3);

-- name: done_nudge
-- A nudge was answered.
UPDATE nudge SET done = 1 WHERE id = ?;

-- name: add_audit
-- An audited event, linked to the one before it.
INSERT INTO audit (facility, at, action, who, outcome, subject, detail, chain)
VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7,
  audit_link((SELECT chain FROM audit_end WHERE facility = ?1), ?2, ?3, ?4, ?5, ?6, ?7))
RETURNING chain;

-- name: set_audit_end
-- The last link, so that a row cut off at the end is missed.
INSERT INTO audit_end (facility, rows, chain)
SELECT facility, 1, chain FROM audit WHERE facility = ?1 ORDER BY seq DESC LIMIT 1
ON CONFLICT DO UPDATE SET rows = rows + 1, chain = excluded.chain;
