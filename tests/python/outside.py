"""Reads exports with libraries that share nothing with the program, for tests/end_to_end/exports.rs.

    outside.py parquet TABLE.csv TABLE.parquet   compares every cell; prints types, row groups and notes as JSON
    outside.py webvtt CUES.vtt                   prints the cues as JSON: identifier, start, end, text
"""

import csv
import json
import sys


def same(cell, value):
    """Whether a cell of CSV says what a value of Parquet is."""
    if value is None or cell == "":
        return value is None and cell == ""
    if isinstance(value, bool):
        return cell == ("true" if value else "false")
    if isinstance(value, int):
        return int(cell) == value
    if isinstance(value, float):
        return float(cell) == value
    return cell == value


def parquet(csv_path, parquet_path):
    import pyarrow.parquet as pq

    file = pq.ParquetFile(parquet_path)
    with open(csv_path, newline="", encoding="utf-8") as text:
        names, *rows = csv.reader(text)
    table = file.read()
    if table.column_names != names:
        sys.exit(f"columns differ: {table.column_names} and {names}")
    if table.num_rows != len(rows):
        sys.exit(f"{table.num_rows} rows and {len(rows)}")
    cells = absent = 0
    for at, name in enumerate(names):
        for line, value in enumerate(table.column(at).to_pylist()):
            if not same(rows[line][at], value):
                sys.exit(f"{name}, row {line}: {value!r} and {rows[line][at]!r}")
            cells += 1
            absent += value is None
    notes = {key.decode(): value.decode() for key, value in file.metadata.metadata.items()}
    print(
        json.dumps(
            {
                "types": {field.name: str(field.type) for field in file.schema_arrow},
                "cells": cells,
                "absent": absent,
                "row_groups": file.num_row_groups,
                "notes": notes,
            }
        )
    )


def webvtt(path):
    import webvtt

    cues = [
        {"id": cue.identifier, "start": cue.start, "end": cue.end, "text": cue.text}
        for cue in webvtt.read(path)
    ]
    print(json.dumps(cues))


if __name__ == "__main__":
    {"parquet": parquet, "webvtt": webvtt}[sys.argv[1]](*sys.argv[2:])
