-- +goose Up
CREATE TABLE index_quantity (
  vid    INTEGER NOT NULL REFERENCES version (vid) ON DELETE CASCADE,
  param  TEXT    NOT NULL,
  number TEXT    NOT NULL, -- sorts as the number does
  system TEXT    NOT NULL,
  code   TEXT    NOT NULL,
  unit   TEXT    NOT NULL,
  PRIMARY KEY (vid, param, number, system, code, unit)
) STRICT, WITHOUT ROWID;
CREATE INDEX index_quantity_value ON index_quantity (param, number);
CREATE INDEX index_code_system ON index_code (param, system);
