-- Who may do what. Of passwords, tokens and sessions only hashes are kept. People
-- and tokens are never removed, because records name them; they are disabled or
-- revoked. What was done with them is in the audit table, in the same transaction.

-- +goose Up
CREATE TABLE person (
    site     smallint NOT NULL,
    name     text NOT NULL CHECK (name <> ''),
    role     text NOT NULL CHECK (role IN ('reader', 'planner', 'engineer')),
    password text,                 -- Argon2id in PHC format; null: signs in elsewhere, or by tokens only
    outside  text,                 -- issuer and subject of an identity that signs in elsewhere
    disabled boolean NOT NULL DEFAULT false,
    added_by text NOT NULL,
    added    timestamptz NOT NULL DEFAULT clock_timestamp(),
    PRIMARY KEY (site, name),
    UNIQUE (site, outside)
);

CREATE TABLE token (
    site      smallint NOT NULL,
    id        bigint GENERATED ALWAYS AS IDENTITY,
    person    text NOT NULL,
    title     text NOT NULL,
    purpose   text NOT NULL CHECK (purpose IN ('api', 'metrics', 'calendar')),
    role      text NOT NULL CHECK (role IN ('reader', 'planner', 'engineer')),
    digest    bytea NOT NULL CHECK (octet_length(digest) = 32), -- SHA-256
    made      timestamptz NOT NULL DEFAULT clock_timestamp(),
    expires   timestamptz,
    last_used timestamptz,
    revoked   timestamptz,
    PRIMARY KEY (site, id),
    UNIQUE (site, digest),
    FOREIGN KEY (site, person) REFERENCES person (site, name)
);

CREATE TABLE session (
    site    smallint NOT NULL,
    digest  bytea NOT NULL CHECK (octet_length(digest) = 32), -- SHA-256
    person  text NOT NULL,
    began   timestamptz NOT NULL,
    used    timestamptz NOT NULL,
    expires timestamptz NOT NULL,
    PRIMARY KEY (site, digest),
    FOREIGN KEY (site, person) REFERENCES person (site, name)
);
CREATE INDEX session_person ON session (site, person);
