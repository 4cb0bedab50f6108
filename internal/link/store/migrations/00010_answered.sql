-- An act about a task closes what was announced of it, in its own transaction.
-- What is not delivered yet is withdrawn; both name the act, so that a
-- counter-entry opens them again.

-- +goose Up
ALTER TABLE condition ADD COLUMN closed bigint;   -- act by which the task was done or skipped
ALTER TABLE delivery ADD COLUMN withdrawn bigint; -- act that made it out of date
ALTER TABLE delivery DROP CONSTRAINT delivery_state_check;
ALTER TABLE delivery ADD CONSTRAINT delivery_state_check CHECK (state IN ('waiting', 'sent', 'dead', 'withdrawn'));
