-- +goose Up

-- The epochs of this data, the last one in force. A versionId and a page token
-- carry the epoch, so that neither is taken for one from before a restore.
CREATE TABLE epoch (
  ord   INTEGER PRIMARY KEY,
  id    TEXT    NOT NULL UNIQUE,
  after INTEGER NOT NULL -- the last stamp before it began
) STRICT;

-- One row per commit that changed what a hub sees. updated: ms since 1970.
CREATE TABLE stamp (
  seq     INTEGER PRIMARY KEY,
  updated INTEGER NOT NULL UNIQUE
) STRICT;

CREATE TABLE resource (
  rid     INTEGER PRIMARY KEY,
  type    TEXT    NOT NULL,
  id      TEXT    NOT NULL,
  clinic  TEXT    NOT NULL,
  patient TEXT    NOT NULL,
  kase    TEXT    NOT NULL,
  current INTEGER NOT NULL, -- version.vid
  content BLOB,             -- as put; NULL when it follows from the body, or deleted
  UNIQUE (type, id)
) STRICT;
CREATE INDEX resource_owner ON resource (clinic, patient);

-- A version is the state of its resource from seq (included) to until
-- (excluded); the current one ends at the greatest integer.
CREATE TABLE version (
  vid     INTEGER PRIMARY KEY AUTOINCREMENT,
  rid     INTEGER NOT NULL REFERENCES resource (rid) DEFERRABLE INITIALLY DEFERRED,
  type    TEXT    NOT NULL,
  id      TEXT    NOT NULL,
  number  INTEGER NOT NULL,
  epoch   TEXT    NOT NULL,
  seq     INTEGER NOT NULL REFERENCES stamp (seq),
  until   INTEGER NOT NULL,
  updated INTEGER NOT NULL,
  deleted INTEGER NOT NULL DEFAULT 0,
  hidden  INTEGER NOT NULL DEFAULT 0,
  body    BLOB,
  UNIQUE (rid, number)
) STRICT;
CREATE INDEX version_walk ON version (type, seq, id, until, deleted, hidden);
CREATE INDEX version_feed ON version (seq, type, id, hidden);

-- Index rows belong to one version. param is "Type.name".
-- index_code: token (system, code), reference ("Type/id"), uri.
CREATE TABLE index_code (
  vid    INTEGER NOT NULL REFERENCES version (vid) ON DELETE CASCADE,
  param  TEXT    NOT NULL,
  code   TEXT    NOT NULL,
  system TEXT    NOT NULL,
  PRIMARY KEY (vid, param, code, system)
) STRICT, WITHOUT ROWID;
CREATE INDEX index_code_value ON index_code (param, code, system);

CREATE TABLE index_text (
  vid   INTEGER NOT NULL REFERENCES version (vid) ON DELETE CASCADE,
  param TEXT    NOT NULL,
  text  TEXT    NOT NULL,
  PRIMARY KEY (vid, param, text)
) STRICT, WITHOUT ROWID;
CREATE INDEX index_text_value ON index_text (param, text);

-- lo (included) to hi (excluded) in microseconds since 1970; an open end is
-- the least or greatest integer.
CREATE TABLE index_date (
  vid   INTEGER NOT NULL REFERENCES version (vid) ON DELETE CASCADE,
  param TEXT    NOT NULL,
  lo    INTEGER NOT NULL,
  hi    INTEGER NOT NULL,
  PRIMARY KEY (vid, param, lo, hi)
) STRICT, WITHOUT ROWID;
CREATE INDEX index_date_value ON index_date (param, lo, hi);

-- Times on the clinic side are text: UTC, nine decimals, '' for absent, so
-- that they sort and keep what was sent.
CREATE TABLE delivery (
  seq        INTEGER PRIMARY KEY AUTOINCREMENT,
  clinic     TEXT    NOT NULL,
  record     TEXT    NOT NULL,
  patient    TEXT    NOT NULL,
  surgery    TEXT    NOT NULL,
  kind       TEXT    NOT NULL,
  status     TEXT    NOT NULL,
  hash       TEXT    NOT NULL,
  saved_at   TEXT    NOT NULL,
  received   TEXT    NOT NULL,
  answer     TEXT    NOT NULL,
  held       INTEGER NOT NULL,
  refused    INTEGER NOT NULL,
  superseded INTEGER NOT NULL,
  waiting    INTEGER NOT NULL DEFAULT 0,
  reasons    BLOB,
  body       BLOB    NOT NULL
) STRICT;
CREATE UNIQUE INDEX delivery_identity ON delivery (clinic, record, hash, saved_at);
CREATE INDEX delivery_patient ON delivery (clinic, patient, record);
CREATE INDEX delivery_surgery ON delivery (clinic, surgery, record);
CREATE INDEX delivery_held ON delivery (clinic, seq) WHERE held;
CREATE INDEX delivery_refused ON delivery (clinic, seq) WHERE refused AND answer = 'refused';
CREATE INDEX delivery_superseded ON delivery (clinic, seq) WHERE superseded;
CREATE INDEX delivery_waiting ON delivery (clinic, seq) WHERE waiting;

CREATE TABLE flag (
  fid         INTEGER PRIMARY KEY,
  clinic      TEXT    NOT NULL,
  patient     TEXT    NOT NULL,
  kase        TEXT    NOT NULL,
  id          TEXT    NOT NULL,
  code        TEXT    NOT NULL,
  level       TEXT    NOT NULL,
  inputs_hash TEXT    NOT NULL,
  open        INTEGER NOT NULL,
  json        BLOB
) STRICT;
CREATE INDEX flag_owner ON flag (clinic, patient);
CREATE INDEX flag_id ON flag (clinic, id);
CREATE INDEX flag_open ON flag (clinic) WHERE open;

CREATE TABLE activity (
  aid     INTEGER PRIMARY KEY,
  clinic  TEXT    NOT NULL,
  patient TEXT    NOT NULL,
  kase    TEXT    NOT NULL,
  id      TEXT    NOT NULL,
  status  TEXT    NOT NULL,
  start   TEXT    NOT NULL,
  "end"   TEXT    NOT NULL,
  open    INTEGER NOT NULL,
  json    BLOB
) STRICT;
CREATE INDEX activity_owner ON activity (clinic, patient);
CREATE INDEX activity_end ON activity ("end") WHERE open;

CREATE TABLE fact (
  clinic   TEXT NOT NULL,
  patient  TEXT NOT NULL,
  kase     TEXT NOT NULL,
  activity TEXT NOT NULL,
  "end"    TEXT NOT NULL,
  PRIMARY KEY (clinic, patient, kase, activity, "end")
) STRICT, WITHOUT ROWID;

CREATE TABLE ack (
  kid         INTEGER PRIMARY KEY AUTOINCREMENT,
  clinic      TEXT    NOT NULL,
  patient     TEXT    NOT NULL,
  kase        TEXT    NOT NULL,
  flag        TEXT    NOT NULL,
  inputs_hash TEXT    NOT NULL,
  json        BLOB,
  stale       INTEGER NOT NULL
) STRICT;
CREATE INDEX ack_owner ON ack (clinic, patient);

CREATE TABLE staff (
  clinic    TEXT NOT NULL,
  key       TEXT NOT NULL,
  source    TEXT NOT NULL,
  statement BLOB NOT NULL,
  PRIMARY KEY (clinic, key, source)
) STRICT;
CREATE INDEX staff_source ON staff (clinic, source);

CREATE TABLE outbox (
  seq  INTEGER PRIMARY KEY AUTOINCREMENT,
  kind TEXT NOT NULL,
  json BLOB
) STRICT;
