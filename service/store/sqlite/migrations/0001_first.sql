-- All instants are microseconds since 1970-01-01T00:00:00Z.

CREATE TABLE received (          -- the bytes of every accepted request, as they came
  facility TEXT NOT NULL, id TEXT NOT NULL, source TEXT NOT NULL, at INTEGER NOT NULL,
  release TEXT NOT NULL, interaction TEXT NOT NULL, body BLOB NOT NULL,
  PRIMARY KEY (facility, id)
) STRICT, WITHOUT ROWID;

CREATE TABLE resource (          -- every version of every resource; current marks the head
  facility TEXT NOT NULL, type TEXT NOT NULL, id TEXT NOT NULL, version INTEGER NOT NULL,
  release TEXT NOT NULL, source TEXT NOT NULL, at INTEGER NOT NULL, digest TEXT NOT NULL,
  body BLOB NOT NULL, received TEXT, stamp INTEGER, retracted INTEGER NOT NULL,
  keys TEXT NOT NULL, current INTEGER NOT NULL,
  PRIMARY KEY (facility, type, id, version)
) STRICT;
CREATE UNIQUE INDEX resource_head ON resource (facility, type, id) WHERE current = 1;
CREATE INDEX resource_recent ON resource (facility, type, release, at, id) WHERE current = 1;

CREATE TABLE resource_key (      -- a sender's key names one resource, once
  facility TEXT NOT NULL, source TEXT NOT NULL, type TEXT NOT NULL, key TEXT NOT NULL,
  id TEXT NOT NULL,
  PRIMARY KEY (facility, source, type, key)
) STRICT, WITHOUT ROWID;

CREATE TABLE identified (        -- who bears an identifier, whatever the source
  facility TEXT NOT NULL, type TEXT NOT NULL, token TEXT NOT NULL, id TEXT NOT NULL,
  PRIMARY KEY (facility, type, token, id)
) STRICT, WITHOUT ROWID;

CREATE TABLE search_value (      -- values of current versions only
  facility TEXT NOT NULL, type TEXT NOT NULL, id TEXT NOT NULL, param TEXT NOT NULL,
  kind TEXT NOT NULL, system TEXT, value TEXT, extra TEXT, low INTEGER, high INTEGER
) STRICT;
CREATE INDEX search_by_value ON search_value (facility, type, param, value);
CREATE INDEX search_by_extra ON search_value (facility, type, param, extra) WHERE extra IS NOT NULL;
CREATE INDEX search_by_date ON search_value (facility, type, param, low) WHERE kind = 'date';
CREATE INDEX search_of_resource ON search_value (facility, type, id);

CREATE TABLE url (               -- absolute URLs of a source; id NULL while nobody sent it
  facility TEXT NOT NULL, source TEXT NOT NULL, url TEXT NOT NULL, type TEXT NOT NULL, id TEXT,
  PRIMARY KEY (facility, source, url)
) STRICT, WITHOUT ROWID;

CREATE TABLE subject (           -- who each token is
  facility TEXT NOT NULL, token TEXT NOT NULL, person TEXT NOT NULL,
  PRIMARY KEY (facility, token)
) STRICT, WITHOUT ROWID;
CREATE INDEX subject_person ON subject (facility, person);

CREATE TABLE person (
  facility TEXT NOT NULL, person TEXT NOT NULL, seq INTEGER NOT NULL,
  as_of INTEGER, next_wake INTEGER, merged_into TEXT,
  PRIMARY KEY (facility, person)
) STRICT, WITHOUT ROWID;
CREATE INDEX person_due ON person (next_wake) WHERE next_wake IS NOT NULL;

CREATE TABLE unit (
  facility TEXT NOT NULL, unit TEXT NOT NULL, seq INTEGER NOT NULL,
  PRIMARY KEY (facility, unit)
) STRICT, WITHOUT ROWID;

CREATE TABLE fact (
  facility TEXT NOT NULL, key TEXT NOT NULL, version INTEGER NOT NULL, kind TEXT NOT NULL,
  resource TEXT NOT NULL, subject TEXT, unit TEXT, source TEXT NOT NULL,
  received INTEGER NOT NULL, stamp INTEGER, digest TEXT NOT NULL, retracted INTEGER NOT NULL,
  named BLOB, body BLOB NOT NULL,
  PRIMARY KEY (facility, key, version)
) STRICT;
CREATE INDEX fact_subject ON fact (facility, subject) WHERE subject IS NOT NULL;
CREATE INDEX fact_unit ON fact (facility, unit) WHERE unit IS NOT NULL;
CREATE INDEX fact_resource ON fact (facility, resource);

CREATE TABLE act (
  facility TEXT NOT NULL, key TEXT NOT NULL, person TEXT NOT NULL, at INTEGER NOT NULL,
  kind TEXT NOT NULL, body BLOB NOT NULL,
  PRIMARY KEY (facility, key)
) STRICT, WITHOUT ROWID;
CREATE INDEX act_person ON act (facility, person);

CREATE TABLE emitted (
  facility TEXT NOT NULL, key TEXT NOT NULL, person TEXT NOT NULL, stream TEXT NOT NULL,
  kind TEXT NOT NULL, digest TEXT NOT NULL, version INTEGER NOT NULL, content BLOB NOT NULL,
  roles TEXT NOT NULL, critical INTEGER NOT NULL,
  state TEXT NOT NULL CHECK (state IN ('active', 'withdrawn')),
  PRIMARY KEY (facility, key)
) STRICT, WITHOUT ROWID;
CREATE INDEX emitted_person ON emitted (facility, person);

CREATE TABLE outbox (
  id INTEGER PRIMARY KEY, facility TEXT NOT NULL, partner TEXT NOT NULL, key TEXT NOT NULL,
  version INTEGER NOT NULL, stream TEXT NOT NULL, grp TEXT NOT NULL, type TEXT NOT NULL,
  resource_id TEXT NOT NULL, body BLOB NOT NULL, critical INTEGER NOT NULL,
  created INTEGER NOT NULL,
  state TEXT NOT NULL CHECK
    (state IN ('pending', 'sent', 'delivered', 'superseded', 'parked', 'discarded')),
  attempts INTEGER NOT NULL, next_at INTEGER, lease INTEGER, last_outcome TEXT, etag TEXT,
  flagged TEXT, retires INTEGER NOT NULL,
  UNIQUE (facility, partner, key, version)
) STRICT;
CREATE INDEX outbox_open ON outbox (partner, stream, id) WHERE state IN ('pending', 'sent', 'parked');
CREATE INDEX outbox_key ON outbox (partner, key, version);
CREATE INDEX outbox_resource ON outbox (resource_id);

CREATE TABLE attempt (
  id INTEGER PRIMARY KEY, partner TEXT NOT NULL, at INTEGER NOT NULL, outcome TEXT NOT NULL,
  status INTEGER, detail TEXT NOT NULL
) STRICT;
CREATE TABLE attempt_row (
  row INTEGER NOT NULL, attempt INTEGER NOT NULL, PRIMARY KEY (row, attempt)
) STRICT, WITHOUT ROWID;

CREATE TABLE unit_start (        -- one row per step that started a unit, whoever recorded it
  facility TEXT NOT NULL, step TEXT NOT NULL, unit TEXT NOT NULL, subject TEXT NOT NULL,
  person TEXT NOT NULL, identifier TEXT NOT NULL, at INTEGER NOT NULL,
  PRIMARY KEY (facility, step)
) STRICT, WITHOUT ROWID;
CREATE INDEX unit_start_unit ON unit_start (facility, unit);

CREATE TABLE unit_claim (        -- exactly one start holds a unit
  facility TEXT NOT NULL, unit TEXT NOT NULL, step TEXT NOT NULL,
  PRIMARY KEY (facility, unit)
) STRICT, WITHOUT ROWID;

CREATE TABLE nudge (
  id INTEGER PRIMARY KEY, facility TEXT NOT NULL, person TEXT NOT NULL, why TEXT NOT NULL,
  done INTEGER NOT NULL DEFAULT 0
) STRICT;
CREATE INDEX nudge_open ON nudge (id) WHERE done = 0;

CREATE TABLE learned (
  partner TEXT NOT NULL, name TEXT NOT NULL, value TEXT NOT NULL, PRIMARY KEY (partner, name)
) STRICT, WITHOUT ROWID;

CREATE TABLE audit (
  seq INTEGER PRIMARY KEY, facility TEXT NOT NULL, at INTEGER NOT NULL, action TEXT NOT NULL,
  who TEXT NOT NULL, outcome TEXT NOT NULL, subject TEXT, detail BLOB NOT NULL
) STRICT;
CREATE INDEX audit_facility ON audit (facility, seq);
