-- What people are told. A notice is a fact and stays; how far it has come on each
-- channel is a state beside it. What was announced of each condition is kept so
-- that only changes are told, and moves in the transaction of its notices.

-- +goose Up
CREATE TABLE condition (
    site      smallint NOT NULL,
    subject   text NOT NULL,
    form      text NOT NULL CHECK (form IN ('task', 'finding', 'statement')),
    topic     text NOT NULL,
    press     text NOT NULL,
    title     text NOT NULL,
    status    text NOT NULL,        -- newest transition; empty before the first
    since     timestamptz,          -- of status
    pending   timestamptz,          -- of a finding that has not begun, or not ended
    episode   int NOT NULL,
    due       timestamptz,          -- local day of a task
    revision  int NOT NULL,         -- how often the day moved
    changed   timestamptz,          -- when it last moved
    escalated boolean NOT NULL,
    gone      boolean NOT NULL,
    PRIMARY KEY (site, subject)
);

CREATE TABLE notice (
    site       smallint NOT NULL,
    id         bigint GENERATED ALWAYS AS IDENTITY,
    kind       text NOT NULL,
    topic      text NOT NULL,
    subject    text NOT NULL,
    transition text NOT NULL CHECK (transition <> ''),
    press      text NOT NULL,
    at         timestamptz NOT NULL,
    due        timestamptz,
    title      text NOT NULL,
    body       text NOT NULL,
    remedy     text NOT NULL,
    PRIMARY KEY (site, id),
    UNIQUE (site, subject, transition)
);
CREATE INDEX notice_at ON notice (site, at);

CREATE TABLE delivery (
    site    smallint NOT NULL,
    notice  bigint NOT NULL,
    channel text NOT NULL,
    state   text NOT NULL CHECK (state IN ('waiting', 'sent', 'dead')),
    due     timestamptz NOT NULL, -- when it may be tried next
    first   timestamptz NOT NULL, -- when it was first to be delivered
    attempt int NOT NULL DEFAULT 0,
    error   text NOT NULL DEFAULT '',
    sent    timestamptz,
    PRIMARY KEY (site, notice, channel),
    FOREIGN KEY (site, notice) REFERENCES notice (site, id),
    CHECK ((state = 'sent') = (sent IS NOT NULL))
);
CREATE INDEX delivery_waiting ON delivery (site, channel, due) WHERE state = 'waiting';

CREATE TABLE notice_answer (
    site     smallint NOT NULL,
    notice   bigint NOT NULL,
    by       text NOT NULL,
    note     text NOT NULL,
    recorded timestamptz NOT NULL DEFAULT clock_timestamp(),
    PRIMARY KEY (site, notice),
    FOREIGN KEY (site, notice) REFERENCES notice (site, id)
);

CREATE TRIGGER notice_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON notice
    FOR EACH STATEMENT EXECUTE FUNCTION append_only();
CREATE TRIGGER notice_answer_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON notice_answer
    FOR EACH STATEMENT EXECUTE FUNCTION append_only();
