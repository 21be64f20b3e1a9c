-- +goose Up

-- What a clinic's stored folds and index were made under, by name.
CREATE TABLE mark (
  clinic TEXT NOT NULL,
  name   TEXT NOT NULL,
  value  TEXT NOT NULL,
  PRIMARY KEY (clinic, name)
) STRICT, WITHOUT ROWID;
