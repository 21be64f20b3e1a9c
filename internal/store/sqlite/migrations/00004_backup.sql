-- +goose Up

-- In a backup alone: what it was made of. taken is an instant before the
-- snapshot was; namespace the mark of the secret namespace of its ids.
CREATE TABLE backup (
  ord       INTEGER PRIMARY KEY,
  taken     TEXT NOT NULL,
  namespace TEXT NOT NULL
) STRICT;

-- The restores that this data went through: what was answered from taken until
-- restored_at is lost unless it was sent again (D8.3).
CREATE TABLE restored (
  ord         INTEGER PRIMARY KEY,
  epoch       TEXT NOT NULL,
  taken       TEXT NOT NULL, -- '' when the backup did not say
  restored_at TEXT NOT NULL
) STRICT;

-- Who was erased: subject is a keyed hash, from which nobody is found without
-- the secret namespace.
CREATE TABLE erasure (
  subject TEXT NOT NULL,
  at      TEXT NOT NULL,
  reason  TEXT NOT NULL,
  who     TEXT NOT NULL,
  PRIMARY KEY (subject, at)
) STRICT, WITHOUT ROWID;
