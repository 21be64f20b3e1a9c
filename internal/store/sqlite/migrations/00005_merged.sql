-- +goose Up

-- Whom a delivery of a merge of patient numbers names: who replaces, and who is
-- replaced. No release before this one understood such a delivery.
CREATE TABLE merged (
  clinic  TEXT    NOT NULL,
  patient TEXT    NOT NULL,
  record  TEXT    NOT NULL,
  seq     INTEGER NOT NULL REFERENCES delivery (seq) ON DELETE CASCADE,
  PRIMARY KEY (clinic, patient, record, seq)
) STRICT, WITHOUT ROWID;
CREATE INDEX merged_record ON merged (clinic, record, patient);
CREATE INDEX merged_seq ON merged (seq);
