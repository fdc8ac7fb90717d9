-- Where fields stand in what was handed on to a recorder (--tee), if they do not simply stand at field / 2.
--
-- From `start_field` on the frame of a field is `tee_frame` and counts on with the frames of the pass, up to the next row;
-- NULL: it was not handed on. No row at all: every field stands at field / 2, or nothing was handed on.
CREATE TABLE handed_on (
    start_field  INTEGER PRIMARY KEY,
    tee_frame    INTEGER
);
