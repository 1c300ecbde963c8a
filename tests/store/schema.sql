CREATE INDEX act_person ON act (facility, person);
CREATE INDEX attempt_of_row ON attempt_row (attempt, row);
CREATE INDEX audit_facility ON audit (facility, seq);
CREATE INDEX emitted_person ON emitted (facility, person);
CREATE INDEX fact_resource ON fact (facility, resource);
CREATE INDEX fact_subject ON fact (facility, subject) WHERE subject IS NOT NULL;
CREATE INDEX fact_unit ON fact (facility, unit) WHERE unit IS NOT NULL;
CREATE INDEX nudge_open ON nudge (id) WHERE done = 0;
CREATE INDEX outbox_open ON outbox (partner, facility, stream, id)
  WHERE state IN ('pending', 'sent', 'parked');
CREATE INDEX outbox_resource ON outbox (resource_id);
CREATE INDEX person_due ON person (next_wake) WHERE next_wake IS NOT NULL;
CREATE UNIQUE INDEX resource_head ON resource (facility, type, id) WHERE current = 1;
CREATE INDEX resource_recent ON resource (facility, type, release, at, id) WHERE current = 1;
CREATE INDEX search_by_date ON search_value (facility, type, param, low, high, id)
  WHERE low IS NOT NULL;
CREATE INDEX search_by_extra ON search_value (facility, type, param, extra, id)
  WHERE extra IS NOT NULL;
CREATE INDEX search_by_value ON search_value (facility, type, param, value, id)
  WHERE value IS NOT NULL;
CREATE INDEX search_of_resource ON search_value (facility, type, id, param);
CREATE INDEX stream_ready ON stream (partner, critical DESC, head) WHERE head IS NOT NULL;
CREATE INDEX subject_person ON subject (facility, person);
CREATE INDEX unit_claim_step ON unit_claim (facility, step);
CREATE INDEX unit_start_unit ON unit_start (facility, unit, at, identifier, step);
CREATE TABLE act (
  facility TEXT NOT NULL, key TEXT NOT NULL, person TEXT NOT NULL, body BLOB NOT NULL,
  at INTEGER NOT NULL, kind TEXT NOT NULL,
  PRIMARY KEY (facility, key)
) STRICT;
CREATE TABLE attempt (
  id INTEGER PRIMARY KEY, partner TEXT NOT NULL, at INTEGER NOT NULL, outcome TEXT NOT NULL,
  status INTEGER, detail TEXT NOT NULL
) STRICT;
CREATE TABLE attempt_row (
  row INTEGER NOT NULL REFERENCES outbox (id), attempt INTEGER NOT NULL REFERENCES attempt (id),
  PRIMARY KEY (row, attempt)
) STRICT, WITHOUT ROWID;
CREATE TABLE audit (             -- chain: SHA-256 of the row and of the facility's row before it
  seq INTEGER PRIMARY KEY AUTOINCREMENT, facility TEXT NOT NULL, at INTEGER NOT NULL,
  action TEXT NOT NULL, who TEXT NOT NULL, outcome TEXT NOT NULL, subject TEXT,
  detail BLOB NOT NULL, chain BLOB NOT NULL
) STRICT;
CREATE TABLE audit_end (         -- the last link of each facility's chain, so that none is cut off
  facility TEXT PRIMARY KEY, rows INTEGER NOT NULL, chain BLOB NOT NULL
) STRICT, WITHOUT ROWID;
CREATE TABLE emitted (
  facility TEXT NOT NULL, key TEXT NOT NULL, person TEXT NOT NULL, stream TEXT NOT NULL,
  kind TEXT NOT NULL, digest TEXT NOT NULL, version INTEGER NOT NULL, content BLOB NOT NULL,
  roles TEXT NOT NULL, critical INTEGER NOT NULL,
  state TEXT NOT NULL CHECK (state IN ('active', 'withdrawn')),
  PRIMARY KEY (facility, key)
) STRICT;
CREATE TABLE fact (              -- every version of every fact; body is the whole fact
  facility TEXT NOT NULL, key TEXT NOT NULL, version INTEGER NOT NULL, kind TEXT NOT NULL,
  resource TEXT NOT NULL, subject TEXT, unit TEXT, body BLOB NOT NULL,
  PRIMARY KEY (facility, key, version)
) STRICT;
CREATE TABLE fact_name (         -- other names by which orders, places and devices are pointed at
  facility TEXT NOT NULL, name TEXT NOT NULL, resource TEXT NOT NULL,
  PRIMARY KEY (facility, name, resource)
) STRICT, WITHOUT ROWID;
CREATE TABLE identified (        -- who bears an identifier, whatever the source
  facility TEXT NOT NULL, type TEXT NOT NULL, token TEXT NOT NULL, id TEXT NOT NULL,
  PRIMARY KEY (facility, type, token, id)
) STRICT, WITHOUT ROWID;
CREATE TABLE judged (            -- judgements under the digest of all they rest on; may be forgotten
  facility TEXT NOT NULL, person TEXT NOT NULL, body BLOB NOT NULL,
  PRIMARY KEY (facility, person)
) STRICT;
CREATE TABLE learned (
  partner TEXT NOT NULL, name TEXT NOT NULL, value TEXT NOT NULL, PRIMARY KEY (partner, name)
) STRICT, WITHOUT ROWID;
CREATE TABLE migration (         -- what has been applied; nothing is ever undone
  number INTEGER PRIMARY KEY, name TEXT NOT NULL, digest TEXT NOT NULL
) STRICT;
CREATE TABLE nudge (
  id INTEGER PRIMARY KEY AUTOINCREMENT, facility TEXT NOT NULL, person TEXT NOT NULL,
  why TEXT NOT NULL, done INTEGER NOT NULL DEFAULT 0
) STRICT;
CREATE TABLE outbox (            -- id is the order of commits; claimed: the claim that holds
                                 -- the row; doubt: an earlier claim lapsed without a word
  id INTEGER PRIMARY KEY AUTOINCREMENT, facility TEXT NOT NULL, partner TEXT NOT NULL,
  key TEXT NOT NULL, version INTEGER NOT NULL, stream TEXT NOT NULL, grp TEXT NOT NULL,
  type TEXT NOT NULL, resource_id TEXT NOT NULL, critical INTEGER NOT NULL,
  created INTEGER NOT NULL,
  state TEXT NOT NULL CHECK
    (state IN ('pending', 'sent', 'delivered', 'superseded', 'parked', 'discarded')),
  attempts INTEGER NOT NULL, next_at INTEGER, claimed INTEGER,
  doubt INTEGER NOT NULL DEFAULT 0, last_outcome TEXT, etag TEXT, flagged TEXT,
  retires INTEGER NOT NULL,
  UNIQUE (facility, partner, key, version)
) STRICT;
CREATE TABLE outbox_body (
  id INTEGER PRIMARY KEY REFERENCES outbox (id), body BLOB NOT NULL
) STRICT;
CREATE TABLE person (
  facility TEXT NOT NULL, person TEXT NOT NULL, seq INTEGER NOT NULL,
  as_of INTEGER, next_wake INTEGER, merged_into TEXT,
  PRIMARY KEY (facility, person)
) STRICT, WITHOUT ROWID;
CREATE TABLE received (          -- the bytes of every accepted request, as they came
  facility TEXT NOT NULL, id TEXT NOT NULL, source TEXT NOT NULL, at INTEGER NOT NULL,
  release TEXT NOT NULL, interaction TEXT NOT NULL, body BLOB NOT NULL,
  PRIMARY KEY (facility, id)
) STRICT;
CREATE TABLE resource (          -- every version of every resource; current marks the head
  facility TEXT NOT NULL, type TEXT NOT NULL, id TEXT NOT NULL, version INTEGER NOT NULL,
  release TEXT NOT NULL, source TEXT NOT NULL, at INTEGER NOT NULL, digest TEXT NOT NULL,
  body BLOB NOT NULL, received TEXT, stamp INTEGER, retracted INTEGER NOT NULL,
  keys TEXT NOT NULL, current INTEGER NOT NULL,
  PRIMARY KEY (facility, type, id, version)
) STRICT;
CREATE TABLE resource_key (      -- a sender's key names one resource, once
  facility TEXT NOT NULL, source TEXT NOT NULL, type TEXT NOT NULL, key TEXT NOT NULL,
  id TEXT NOT NULL,
  PRIMARY KEY (facility, source, type, key)
) STRICT, WITHOUT ROWID;
CREATE TABLE search_value (      -- values of current versions only
  facility TEXT NOT NULL, type TEXT NOT NULL, id TEXT NOT NULL, param TEXT NOT NULL,
  kind TEXT NOT NULL, system TEXT, value TEXT, extra TEXT, low INTEGER, high INTEGER
) STRICT;
CREATE TABLE stream (            -- rows of one unit or notice for one partner, sent in order
  facility TEXT NOT NULL, partner TEXT NOT NULL, stream TEXT NOT NULL,
  head INTEGER,                  -- the first row that may be sent; NULL when there is none
  critical INTEGER NOT NULL, next_at INTEGER,
  claim INTEGER NOT NULL DEFAULT 0, lease INTEGER,
  PRIMARY KEY (partner, facility, stream)
) STRICT, WITHOUT ROWID;
CREATE TABLE subject (           -- who each token is
  facility TEXT NOT NULL, token TEXT NOT NULL, person TEXT NOT NULL,
  PRIMARY KEY (facility, token)
) STRICT, WITHOUT ROWID;
CREATE TABLE unit (
  facility TEXT NOT NULL, unit TEXT NOT NULL, seq INTEGER NOT NULL,
  PRIMARY KEY (facility, unit)
) STRICT, WITHOUT ROWID;
CREATE TABLE unit_claim (        -- exactly one start holds a unit
  facility TEXT NOT NULL, unit TEXT NOT NULL, step TEXT NOT NULL,
  PRIMARY KEY (facility, unit),
  FOREIGN KEY (facility, step) REFERENCES unit_start (facility, step)
) STRICT, WITHOUT ROWID;
CREATE TABLE unit_start (        -- one row per step that started a unit, whoever recorded it
  facility TEXT NOT NULL, step TEXT NOT NULL, unit TEXT NOT NULL, subject TEXT NOT NULL,
  person TEXT NOT NULL, identifier TEXT NOT NULL, at INTEGER NOT NULL,
  PRIMARY KEY (facility, step)
) STRICT, WITHOUT ROWID;
CREATE TABLE unit_subject (      -- which patients' facts name a unit, by its text or its resource
  facility TEXT NOT NULL, unit TEXT NOT NULL, subject TEXT NOT NULL,
  PRIMARY KEY (facility, unit, subject)
) STRICT, WITHOUT ROWID;
CREATE TABLE url (               -- absolute URLs of a source; id NULL while nobody sent it
  facility TEXT NOT NULL, source TEXT NOT NULL, url TEXT NOT NULL, type TEXT NOT NULL, id TEXT,
  PRIMARY KEY (facility, source, url)
) STRICT, WITHOUT ROWID;
CREATE TRIGGER audit_kept BEFORE DELETE ON audit
BEGIN SELECT RAISE(ABORT, 'audit is never deleted'); END;
CREATE TRIGGER audit_stays BEFORE UPDATE ON audit
BEGIN SELECT RAISE(ABORT, 'audit is never changed'); END;
CREATE TRIGGER body_stays BEFORE UPDATE ON outbox_body
BEGIN SELECT RAISE(ABORT, 'what is sent is never changed'); END;
CREATE TRIGGER fact_stays BEFORE UPDATE ON fact
BEGIN SELECT RAISE(ABORT, 'a fact is never changed; it gets another version'); END;
CREATE TRIGGER outbox_moves BEFORE UPDATE OF state ON outbox
WHEN old.state <> new.state AND old.state || ' ' || new.state NOT IN (
  'pending sent', 'pending delivered', 'pending superseded', 'pending parked', 'pending discarded',
  'sent pending', 'sent delivered', 'sent superseded', 'sent parked', 'sent discarded',
  'parked pending', 'parked sent', 'parked delivered', 'parked superseded', 'parked discarded',
  'delivered pending')
BEGIN SELECT RAISE(ABORT, 'an outbox row cannot move there from where it is'); END;
CREATE TRIGGER received_stays BEFORE UPDATE ON received
BEGIN SELECT RAISE(ABORT, 'what was received is never changed'); END;
CREATE TRIGGER resource_stays BEFORE UPDATE OF body, digest, version, at, source ON resource
BEGIN SELECT RAISE(ABORT, 'a version is never changed'); END;
CREATE TRIGGER start_added AFTER INSERT ON unit_start BEGIN
  DELETE FROM unit_claim WHERE facility = new.facility AND unit = new.unit;
  INSERT INTO unit_claim (facility, unit, step)
    SELECT facility, unit, step FROM unit_start WHERE facility = new.facility AND unit = new.unit
    ORDER BY at, identifier, step LIMIT 1;
END;
CREATE TRIGGER start_dropped AFTER DELETE ON unit_start BEGIN
  DELETE FROM unit_claim WHERE facility = old.facility AND unit = old.unit;
  INSERT INTO unit_claim (facility, unit, step)
    SELECT facility, unit, step FROM unit_start WHERE facility = old.facility AND unit = old.unit
    ORDER BY at, identifier, step LIMIT 1;
END;
