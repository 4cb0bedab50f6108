-- What people ruled about single readings. The reading stays as it was read; a
-- later ruling on it takes the place of an earlier, and all of them are kept.

-- +goose Up
CREATE TABLE ruling (
    site     smallint NOT NULL,
    id       bigint GENERATED ALWAYS AS IDENTITY,
    register int NOT NULL,
    at       timestamptz NOT NULL, -- of the reading
    verdict  text NOT NULL CHECK (verdict IN ('accept', 'discard', 'restart')),
    by       text NOT NULL,
    note     text NOT NULL,
    recorded timestamptz NOT NULL DEFAULT clock_timestamp(),
    PRIMARY KEY (site, id)
);
CREATE INDEX ruling_register ON ruling (site, register, at);

CREATE TRIGGER ruling_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON ruling
    FOR EACH STATEMENT EXECUTE FUNCTION append_only();
