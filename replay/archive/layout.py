"""Where things lie in an archive.

::

    jointbook.json                      schema version, written once
    samples/<session>/<stream>.parquet  one session's stream, sorted by time
    samples/<session>/overviews/<stream>.<block>.parquet, <stream>.runs.parquet
    samples/<session>/session.json      its record, and the digest of each file
    raw/<sha256>/<file name>            each log as it came
    raw/<sha256>/raw.json               the digest of each file, in reading order
    tables/<name>/                      Delta tables: sessions, flags, indicators, ...
    documents/<name>                    small files: baselines, exports
    digests/<name>.ndjson               digests of the files of tables and of documents
    staging/<random>/                   half-done work of a running process
    set-aside/<when>/                   what `repair` took out of its place
"""

from __future__ import annotations

SCHEMA_VERSION = 2
MARKER = "jointbook.json"

SAMPLES = "samples"
OVERVIEWS = "overviews"
RECORD = "session.json"
RAW = "raw"
RAW_LIST = "raw.json"
TABLES = "tables"
DOCUMENTS = "documents"
DIGESTS = "digests"
STAGING = "staging"
LOCK = "writer.lock"
SET_ASIDE = "set-aside"
