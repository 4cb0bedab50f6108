-- Every key begins with the site, so that many sites can share a database.
-- Times are UTC. Amounts are whole numbers in the units of the register's
-- quantity.

-- +goose Up
CREATE TABLE site (
    id        smallint PRIMARY KEY,
    name      text NOT NULL UNIQUE,
    time_zone text NOT NULL
);

CREATE TABLE station (
    site  smallint NOT NULL REFERENCES site,
    id    int NOT NULL,
    name  text NOT NULL,
    press text NOT NULL,
    PRIMARY KEY (site, id),
    UNIQUE (site, name)
);

CREATE TABLE register (
    site     smallint NOT NULL REFERENCES site,
    id       int NOT NULL,
    name     text NOT NULL,
    quantity smallint NOT NULL,
    station  int, -- whose states and lamps split its amounts
    PRIMARY KEY (site, id),
    UNIQUE (site, name)
);

CREATE TABLE series (
    site    smallint NOT NULL REFERENCES site,
    id      int NOT NULL,
    subject text NOT NULL,
    name    text NOT NULL,
    PRIMARY KEY (site, id),
    UNIQUE (site, subject, name)
);

-- Facts. Monthly partitions are made by one function of the program; where
-- another engine partitions by itself, that function has nothing to do.
CREATE TABLE reading (
    site     smallint NOT NULL,
    register int NOT NULL,
    at       timestamptz NOT NULL,
    value    bigint NOT NULL,
    modulus  bigint, -- stated by the meter with the reading
    PRIMARY KEY (site, register, at)
) PARTITION BY RANGE (at);

CREATE TABLE signal (
    site   smallint NOT NULL,
    series int NOT NULL,
    at     timestamptz NOT NULL,
    value  double precision NOT NULL,
    PRIMARY KEY (site, series, at)
) PARTITION BY RANGE (at);

CREATE TABLE station_event (
    site       smallint NOT NULL,
    station    int NOT NULL,
    boot       text NOT NULL,
    seq        bigint NOT NULL,
    at         timestamptz NOT NULL,
    arrived    timestamptz NOT NULL,
    state      smallint NOT NULL,
    technology smallint NOT NULL,
    lit_ms     bigint,
    starts     bigint,
    flags      smallint NOT NULL, -- 1 clock distrusted, 2 last will
    PRIMARY KEY (site, station, boot, seq)
);
CREATE INDEX station_event_at ON station_event (site, station, at, seq);

CREATE TABLE exchange (
    site        smallint NOT NULL,
    register    int NOT NULL,
    at          timestamptz NOT NULL,
    final_value bigint NOT NULL,
    first_value bigint NOT NULL,
    by          text NOT NULL,
    note        text NOT NULL,
    PRIMARY KEY (site, register, at)
);

CREATE TABLE refused (
    site    smallint NOT NULL,
    id      bigint GENERATED ALWAYS AS IDENTITY,
    at      timestamptz NOT NULL,
    source  text NOT NULL,
    reason  text NOT NULL,
    payload bytea NOT NULL,
    PRIMARY KEY (site, id)
);

CREATE TABLE refused_total (
    site  smallint PRIMARY KEY,
    total bigint NOT NULL
);

-- How far each spool has been stored; moves with the facts.
CREATE TABLE spool_cursor (
    site  smallint NOT NULL,
    spool uuid NOT NULL,
    seq   bigint NOT NULL,
    PRIMARY KEY (site, spool)
);

-- Derived from facts.
CREATE TABLE unsettled (
    site     smallint NOT NULL,
    id       bigint GENERATED ALWAYS AS IDENTITY,
    register int,
    station  int,
    at_from  timestamptz NOT NULL,
    at_to    timestamptz NOT NULL,
    PRIMARY KEY (site, id),
    CHECK ((register IS NULL) <> (station IS NULL)),
    CHECK (at_from <= at_to)
);

CREATE TABLE entry (
    site       smallint NOT NULL,
    register   int NOT NULL,
    start      timestamptz NOT NULL,
    state      smallint NOT NULL,
    technology smallint NOT NULL,
    lamp       int NOT NULL DEFAULT 0, -- 0: none or not applicable
    amount     bigint NOT NULL,
    quality    smallint NOT NULL,
    PRIMARY KEY (site, register, start, state, technology, lamp)
);

CREATE TABLE register_event (
    site     smallint NOT NULL,
    register int NOT NULL,
    at       timestamptz NOT NULL,
    kind     smallint NOT NULL,
    before   bigint NOT NULL,
    after    bigint NOT NULL,
    PRIMARY KEY (site, register, at, kind)
);
CREATE INDEX register_event_at ON register_event (site, at);

-- What people did.
CREATE TABLE lamp (
    site   smallint NOT NULL,
    id     int NOT NULL CHECK (id > 0),
    serial text NOT NULL,
    kind   text NOT NULL,
    PRIMARY KEY (site, id),
    UNIQUE (site, serial)
);

-- Half-open [fitted, removed). That a lamp is in one place at a time and a
-- station holds one lamp is checked in the transaction that writes, under the
-- lock of both rows; exclusion constraints are missing in some engines.
CREATE TABLE lamp_fitting (
    site    smallint NOT NULL,
    lamp    int NOT NULL,
    station int NOT NULL,
    fitted  timestamptz NOT NULL,
    removed timestamptz,
    reason  text NOT NULL,
    by      text NOT NULL,
    PRIMARY KEY (site, lamp, fitted),
    FOREIGN KEY (site, lamp) REFERENCES lamp,
    FOREIGN KEY (site, station) REFERENCES station,
    CHECK (removed > fitted)
);
CREATE INDEX lamp_fitting_station ON lamp_fitting (site, station, fitted);

CREATE TABLE task_log (
    site    smallint NOT NULL,
    rule    text NOT NULL,
    subject text NOT NULL,
    at      timestamptz NOT NULL,
    by      text NOT NULL,
    note    text NOT NULL,
    PRIMARY KEY (site, rule, subject, at)
);

CREATE TABLE baseline (
    site      smallint NOT NULL,
    project   text NOT NULL,
    version   int NOT NULL,
    frozen_at timestamptz NOT NULL,
    approver  text NOT NULL,
    software  text NOT NULL,
    data_hash text NOT NULL,
    document  bytea NOT NULL, -- as given, byte for byte
    PRIMARY KEY (site, project, version)
);

CREATE TABLE audit (
    site    smallint NOT NULL,
    id      bigint GENERATED ALWAYS AS IDENTITY,
    at      timestamptz NOT NULL DEFAULT clock_timestamp(),
    by      text NOT NULL,
    action  text NOT NULL,
    subject text NOT NULL,
    detail  text NOT NULL,
    PRIMARY KEY (site, id)
);

-- +goose StatementBegin
CREATE FUNCTION append_only() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION '% is append-only: % is refused', TG_TABLE_NAME, TG_OP
        USING ERRCODE = 'restrict_violation', HINT = 'Write a new row that names the old one.';
END
$$;
-- +goose StatementEnd

CREATE TRIGGER baseline_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON baseline
    FOR EACH STATEMENT EXECUTE FUNCTION append_only();
CREATE TRIGGER audit_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON audit
    FOR EACH STATEMENT EXECUTE FUNCTION append_only();
