-- What people did about tasks: done, skipped, postponed, and counter-entries that
-- take one of these back. Nothing is changed or deleted; what counts is what no
-- counter-entry names.

-- +goose Up
CREATE TABLE task_act (
    site     smallint NOT NULL,
    id       bigint GENERATED ALWAYS AS IDENTITY,
    kind     text NOT NULL CHECK (kind IN ('done', 'skip', 'postpone', 'undo')),
    rule     text NOT NULL,
    subject  text NOT NULL,
    at       timestamptz NOT NULL, -- when it was done or decided
    due      timestamptz,          -- local day on which it was due then, of skip and postpone
    until    timestamptz,          -- local day, of postpone
    undoes   bigint,               -- act that a counter-entry takes back
    by       text NOT NULL,
    note     text NOT NULL,
    reading  text NOT NULL DEFAULT '',
    recorded timestamptz NOT NULL DEFAULT clock_timestamp(),
    PRIMARY KEY (site, id),
    UNIQUE (site, undoes),
    CHECK ((kind = 'undo') = (undoes IS NOT NULL)),
    CHECK ((kind = 'postpone') = (until IS NOT NULL))
);
CREATE INDEX task_act_task ON task_act (site, rule, subject, at);

INSERT INTO task_act (site, kind, rule, subject, at, by, note, recorded)
    SELECT site, 'done', rule, subject, at, by, note, at FROM task_log ORDER BY site, at;
DROP TABLE task_log;

CREATE TRIGGER task_act_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON task_act
    FOR EACH STATEMENT EXECUTE FUNCTION append_only();
