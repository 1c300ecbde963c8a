CREATE TABLE judged (            -- judgements under the digest of all they rest on; may be forgotten
  facility TEXT NOT NULL, person TEXT NOT NULL, body BLOB NOT NULL,
  PRIMARY KEY (facility, person)
) STRICT;
