-- +goose Up

-- The events of each clinic are numbered on their own: a gap would tell a reader
-- of one how much another does. Until here there was one clinic.
ALTER TABLE outbox ADD COLUMN clinic TEXT NOT NULL DEFAULT '';
ALTER TABLE outbox ADD COLUMN number INTEGER NOT NULL DEFAULT 0;
UPDATE outbox SET number = seq, clinic = coalesce(json_extract(CAST(json AS TEXT), '$.clinic'), '');
CREATE UNIQUE INDEX outbox_clinic ON outbox (clinic, number);
