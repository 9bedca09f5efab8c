"""Where things lie in an archive folder.

::

    jointbook.json              schema version, written once
    samples/<session>/<stream>.parquet
    samples/<session>/overviews/<stream>.<block>.parquet
    raw/<sha256>/<file name>    each log as it came
    tables/<name>/              Delta tables: sessions, flags, indicators, ...
    documents/<name>            small files: baselines, exports
    staging/<random>/           half-done work, safe to delete
"""

from __future__ import annotations

SCHEMA_VERSION = 1
MARKER = "jointbook.json"

SAMPLES = "samples"
OVERVIEWS = "overviews"
RAW = "raw"
TABLES = "tables"
DOCUMENTS = "documents"
STAGING = "staging"
