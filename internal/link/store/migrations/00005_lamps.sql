-- The store of lamps beside the stations, and the output of lamps as people read
-- it. What is in the store follows from movements and fittings; nothing here is
-- ever changed, a mistake is put right by a movement back.

-- +goose Up
-- The serial was made up by the program for a spare that carries none that
-- anybody wrote down.
ALTER TABLE lamp ADD COLUMN made_up boolean NOT NULL DEFAULT false;

CREATE TABLE lamp_movement (
    site     smallint NOT NULL,
    id       bigint GENERATED ALWAYS AS IDENTITY,
    lamp     int NOT NULL,
    at       timestamptz NOT NULL,
    movement text NOT NULL CHECK (movement IN ('received', 'named', 'disposed')),
    by       text NOT NULL,
    note     text NOT NULL,
    recorded timestamptz NOT NULL DEFAULT clock_timestamp(),
    PRIMARY KEY (site, id),
    FOREIGN KEY (site, lamp) REFERENCES lamp
);
CREATE INDEX lamp_movement_lamp ON lamp_movement (site, lamp, at);

CREATE TRIGGER lamp_movement_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON lamp_movement
    FOR EACH STATEMENT EXECUTE FUNCTION append_only();

CREATE TABLE lamp_output (
    site       smallint NOT NULL,
    id         bigint GENERATED ALWAYS AS IDENTITY,
    station    int NOT NULL,
    at         timestamptz NOT NULL,
    irradiance double precision NOT NULL CHECK (irradiance > 0), -- W/cm² by the instrument
    drive      double precision NOT NULL CHECK (drive > 0),      -- share of full power; 1 is full
    instrument text NOT NULL,
    cleaned    boolean NOT NULL, -- read right after a cleaning
    by         text NOT NULL,
    note       text NOT NULL,
    recorded   timestamptz NOT NULL DEFAULT clock_timestamp(),
    PRIMARY KEY (site, id),
    FOREIGN KEY (site, station) REFERENCES station
);
CREATE INDEX lamp_output_station ON lamp_output (site, station, at);

CREATE TRIGGER lamp_output_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON lamp_output
    FOR EACH STATEMENT EXECUTE FUNCTION append_only();
