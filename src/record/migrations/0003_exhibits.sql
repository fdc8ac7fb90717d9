-- Pictures kept with events: of the worst field (view 0), and of the one before (view 1) beside a loss, a repeat or a flash.
--
-- `width` and `rows` are those of the picture, half a field's samples and all of its rows; `packed` is the timing of its lines,
-- laid out as in `lines`, NULL where nothing was measured of that field.
CREATE TABLE exhibits (
    event   INTEGER NOT NULL,
    view    INTEGER NOT NULL,
    field   INTEGER NOT NULL,
    parity  INTEGER NOT NULL,
    micros  INTEGER NOT NULL,
    width   INTEGER NOT NULL,
    rows    INTEGER NOT NULL,
    jpeg    BLOB NOT NULL,
    packed  BLOB,
    PRIMARY KEY (event, view)
);
