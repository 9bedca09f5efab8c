"""Where things lie in an archive.

::

    jointbook.json                      schema version, written once
    samples/<session>/<stream>.parquet  one session's stream, sorted by time
    samples/<session>/overviews/<stream>.<block>.parquet, <stream>.runs.parquet
    samples/<session>/session.json      its record, and the digest of each file
    raw/<sha256>/<file name>            each log as it came
    raw/<sha256>/raw.json               the digest of each file, in reading order
    tables/<name>/                      Delta tables: sessions, flags, indicators, ...
    tables/<name>/_manifest.json        what its last commit holds, with digests, under seal
    documents/<name>                    small files: baselines, exports
    digests/documents/<name>.json       a document's digest, under seal
    copies/jointbook.json               the marker again
    copies/documents/<name>             each document again
    copies/<table>/<entry>-<sha>.parquet  each row that a person wrote, again
    staging/<random>/                   half-done work of a running process
    set-aside/<when>/                   what `repair` took out of its place
"""

from __future__ import annotations

SCHEMA_VERSION = 3
SEALED_FROM = 3
"""From this version on the marker is sealed and has a copy."""
MARKER = "jointbook.json"

SAMPLES = "samples"
OVERVIEWS = "overviews"
RECORD = "session.json"
RAW = "raw"
RAW_LIST = "raw.json"
TABLES = "tables"
MANIFEST = "_manifest.json"
LOG = "_delta_log"
DOCUMENTS = "documents"
DIGESTS = "digests"
COPIES = "copies"
STAGING = "staging"
LOCK = "writer.lock"
SET_ASIDE = "set-aside"
