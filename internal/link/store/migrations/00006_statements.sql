-- What people publish and what they adjust. Both are words that stay: a correction
-- is a further row that names the one it takes the place of.

-- +goose Up
CREATE TABLE adjustment (
    site       smallint NOT NULL,
    project    text NOT NULL,
    number     int NOT NULL,             -- counts the project's from 1
    from_day   timestamptz NOT NULL,     -- local midnights, the second exclusive
    to_day     timestamptz NOT NULL CHECK (to_day > from_day),
    energy     bigint NOT NULL,          -- mWh, added to the adjusted baseline
    factor     text NOT NULL,            -- static factor that changed; may be empty
    event      text NOT NULL CHECK (event <> ''),
    evidence   text NOT NULL CHECK (evidence <> ''),
    approver   text NOT NULL CHECK (approver <> ''),
    instead_of int,                      -- number of the one it takes the place of
    recorded   timestamptz NOT NULL DEFAULT clock_timestamp(),
    PRIMARY KEY (site, project, number),
    UNIQUE (site, project, instead_of),
    FOREIGN KEY (site, project, instead_of) REFERENCES adjustment (site, project, number)
);

CREATE TABLE statement (
    site         smallint NOT NULL,
    project      text NOT NULL,
    period       text NOT NULL,          -- 2026-03, 2026-03-09, to 2026-03-31
    version      int NOT NULL,
    published_at timestamptz NOT NULL,
    by           text NOT NULL,
    software     text NOT NULL,
    reason       text NOT NULL CHECK (version = 1 OR reason <> ''),
    hash         text NOT NULL,          -- SHA-256 of the document, hexadecimal
    document     bytea NOT NULL,         -- as published, byte for byte
    PRIMARY KEY (site, project, period, version)
);

CREATE TRIGGER adjustment_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON adjustment
    FOR EACH STATEMENT EXECUTE FUNCTION append_only();
CREATE TRIGGER statement_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON statement
    FOR EACH STATEMENT EXECUTE FUNCTION append_only();
