-- What of the configuration a register's entries were made with; empty when it
-- is not known. A change marks all of the register as unsettled.

-- +goose Up
ALTER TABLE register ADD COLUMN settling text NOT NULL DEFAULT '';
