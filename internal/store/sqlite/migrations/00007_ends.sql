-- +goose Up
-- What ends at or after an instant: ge, gt and ap (R4 search.html#prefix).
CREATE INDEX index_date_end ON index_date (param, hi, lo);
