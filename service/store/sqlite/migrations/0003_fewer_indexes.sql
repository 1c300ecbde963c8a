-- The uniqueness of (facility, partner, key, version) finds what this index found.
DROP INDEX outbox_key;
