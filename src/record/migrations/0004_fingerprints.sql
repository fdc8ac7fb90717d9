-- Small grids of every field, by which the same place on the tape is found in another pass.
--
-- One row holds the fields of about a second. `packed` is a zlib stream (RFC 1950); inside, in order: layout version 1; fields
-- (two bytes, low first); of each field a byte, 1 where it has colour, and its number less that of the one before (the first:
-- less `start_field`) as varint (seven bits a byte, low first, high bit set on all but the last); then block by block (luma 16 by
-- 12, then blue and red difference 8 by 6, rows one after the other) and field by field: the mean less that of the second field
-- before in the row (the first two: the mean), of luma a byte modulo 256 in codes, of colour a zigzag varint in eighths of a
-- code from neutral.
CREATE TABLE fingerprints (
    start_field  INTEGER PRIMARY KEY,
    end_field    INTEGER NOT NULL,
    packed       BLOB NOT NULL
);
