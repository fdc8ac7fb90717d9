-- One playing of one tape through one chain.
--
-- Columns of quantities are added to `readings` and `seconds` by the program, one by one, as it learns new ones; which
-- they are stands in `quantities`. People read the views `fields`, `sigmas`, `per_second` and `events`, which the
-- program writes anew whenever a column is added.

-- What the pass is of: one row.
CREATE TABLE pass (
    id               INTEGER PRIMARY KEY CHECK (id = 1),
    program          TEXT NOT NULL,     -- version of the program that recorded it
    started_at       TEXT NOT NULL,     -- wall clock, RFC 3339
    closed_at        TEXT,              -- NULL while recording, and for ever if the recording was cut short
    tape             TEXT,
    chain            TEXT,
    player           TEXT,
    box              TEXT,
    speed            TEXT,              -- sp, lp or ep
    standard         TEXT,              -- 525 or 625; NULL for rasters of neither
    field_order      TEXT NOT NULL,     -- top, bottom or progressive
    code_range       TEXT NOT NULL,     -- studio (16-235) or full (0-255)
    setup_ire        REAL NOT NULL,     -- set-up the tape carries
    field_seconds    REAL NOT NULL,     -- time one field takes
    sample_rate_hz   REAL,              -- luma samples a second; NULL for rasters without a usual rate
    start_timecode   TEXT NOT NULL,     -- label of field 0's frame; ';' before the frames: drop-frame
    start_frame      INTEGER NOT NULL,  -- the same as a count of frames from label zero
    drop_frame       INTEGER NOT NULL,  -- 1: drop-frame counting
    labels_a_second  INTEGER NOT NULL,  -- 25 or 30
    frames_a_day     INTEGER NOT NULL,  -- labels wrap after this many frames
    lines_kept       INTEGER NOT NULL,  -- 1: `lines` holds every field
    source           TEXT NOT NULL,     -- JSON: what the source is, in its own words
    limits           TEXT NOT NULL,     -- TOML: the alarm limits in force
    summary          TEXT               -- JSON; written when the pass is closed
);

-- Box and device settings as found: `operator` said so, or read from the `device`; and what was `measured` of the device;
-- and which file was `scanned`, in whole.
CREATE TABLE settings (
    place   INTEGER PRIMARY KEY,
    origin  TEXT NOT NULL,
    name    TEXT NOT NULL,
    value   TEXT NOT NULL
);

-- What is measured, and where it is kept. A stored number times `step` is the value, in `unit`.
CREATE TABLE quantities (
    place        INTEGER PRIMARY KEY,   -- order of columns
    id           TEXT NOT NULL UNIQUE,  -- permanent name
    "column"     TEXT NOT NULL UNIQUE,  -- its column in `readings`; with `_sigma`: its standard error
    label        TEXT NOT NULL,
    unit         TEXT NOT NULL,
    step         REAL NOT NULL,
    sigma_step   REAL,                  -- NULL for words: they have no sigma
    better       TEXT NOT NULL,         -- low, high, near_zero or neither
    "group"      TEXT NOT NULL,
    about        TEXT NOT NULL
);

-- The words of quantities that say a word; `readings` keeps the code.
CREATE TABLE words (
    quantity  TEXT NOT NULL,
    code      INTEGER NOT NULL,
    word      TEXT NOT NULL,
    PRIMARY KEY (quantity, code)
) WITHOUT ROWID;

-- One row a field that was measured. Fields the source lost have no row, and their numbers are not used again.
CREATE TABLE readings (
    field   INTEGER PRIMARY KEY,
    parity  INTEGER NOT NULL,           -- 0 top, 1 bottom
    micros  INTEGER NOT NULL            -- device time since field 0
);

-- One row a second of the pass: min, median, max and number of each quantity, as stored in `readings`.
-- Of a word: first and last code of the list that was seen, and the most frequent one.
CREATE TABLE seconds (
    second  INTEGER PRIMARY KEY,
    fields  INTEGER NOT NULL
);

CREATE TABLE lines (
    -- Every line's timing of a field. `packed`: layout version 1; basis (0 none, 1 edge, 2 content); rows of the field
    -- (two bytes, low first); a bit a row that has a timing (low first); of each such row its displacement less that of
    -- the one before, in 0.1 ns, as zigzag varint (seven bits a byte, low first); of each such row its sigma as a byte
    -- c: 0.1 ns * 2^(c/16).
    field   INTEGER PRIMARY KEY,
    packed  BLOB NOT NULL
);

CREATE TABLE event_rows (
    id              INTEGER PRIMARY KEY,
    kind            TEXT NOT NULL,
    severity        TEXT NOT NULL,
    standing        INTEGER NOT NULL,
    start_field     INTEGER NOT NULL,
    start_micros    INTEGER NOT NULL,
    start_parity    INTEGER NOT NULL,
    start_timecode  TEXT NOT NULL,
    end_field       INTEGER,            -- the end columns are NULL while it goes on
    end_micros      INTEGER,
    end_parity      INTEGER,
    end_timecode    TEXT,
    worst           REAL,
    unit            TEXT NOT NULL,
    "limit"         REAL,
    note            TEXT NOT NULL
);

-- What was recorded on the tape, without leader, blank tape, snow and the end.
CREATE TABLE programme (
    start_field  INTEGER PRIMARY KEY,
    end_field    INTEGER,               -- last field; NULL while it goes on
    why_ended    TEXT
);

-- Fields that were measured but could not be stored (the disk was full or too slow).
CREATE TABLE gaps (
    start_field  INTEGER PRIMARY KEY,
    end_field    INTEGER NOT NULL,
    fields       INTEGER NOT NULL,
    why          TEXT NOT NULL
);
