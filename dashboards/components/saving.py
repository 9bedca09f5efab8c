"""Send a table as a file."""

from __future__ import annotations

import io

import polars as pl
from flask import Response, send_file

from replay.csv_cells import csv_bytes

KINDS = {"csv": "text/csv", "parquet": "application/vnd.apache.parquet"}


def send_table(frame: pl.DataFrame, name: str, form: str) -> Response | tuple[str, int]:
    """Return a frame as a CSV or Parquet file; other forms are not found."""
    if form not in KINDS:
        return "CSV and Parquet are offered", 404
    body = io.BytesIO()
    if form == "csv":
        body.write(csv_bytes(frame))
    else:
        frame.write_parquet(body, compression="zstd")
    body.seek(0)
    return send_file(body, mimetype=KINDS[form], as_attachment=True, download_name=f"{name}.{form}")
