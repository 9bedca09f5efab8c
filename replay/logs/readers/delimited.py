"""Text tables: CSV and its relatives, read by polars in a stream."""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from dataclasses import replace
from itertools import islice
from pathlib import Path

import polars as pl

from replay.errors import LogRefused, first_line
from replay.logs.readers.dialect import Dialect, find_dialect, split
from replay.logs.readers.raw import RawLog, SetAside
from replay.logs.readers.scrub import lines_of, remarks_told, scrub
from replay.logs.readers.sniff import MAX_LINE_BYTES, Sniff
from replay.wording import counted

_LOOK_LINES = 400
_SAMPLE_BYTES = 1 << 19
_SAMPLE_BLOCKS = 24
_SAMPLE_BLOCK_BYTES = 1 << 15
_COUNT_BYTES = 1 << 22
_FLOAT_TEXT = r"^\s*[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?\s*$"


def read_delimited(path: Path, text: Sniff, scratch: Path) -> RawLog:
    """Find out the layout of a text table and make it ready to scan."""
    dialect = find_dialect(list(islice(lines_of(path, text), _LOOK_LINES)), path)
    plain = (
        text.encoding == "utf-8"
        and text.newline == "\n"
        and not dialect.parted_anew
        and not (dialect.comment and _comments_inside(path, text, dialect))
    )
    if plain:
        try:
            return _raw(path, path, dialect, dialect.skip, text)
        except pl.exceptions.PolarsError:  # quotes that do not pair, for one
            pass
    return _scrubbed(path, text, dialect, scratch)


def _scrubbed(path: Path, text: Sniff, dialect: Dialect, scratch: Path) -> RawLog:
    target = scratch / f"{path.name}.scrubbed"
    aside, removed, last_kept = scrub(path, text, dialect, target)
    clean = replace(
        dialect,
        delimiter="\t" if dialect.parted_anew else dialect.delimiter,
        blanks=False,
        comment=None,
    )
    if target.stat().st_size == 0:
        told = "; ".join(f"{counted(a.count, 'row')}: {a.detail}" for a in aside)
        raise LogRefused(f"no row can be read: {told or 'no data rows'}", file=path)
    try:
        raw = _raw(path, target, clean, 0, Sniff("delimited"), quoted=True)
    except pl.exceptions.PolarsError as error:
        raise LogRefused(f"no table of text: {first_line(error)}", file=path) from None
    cut = last_kept and _end_cut(path, text)
    return replace(
        raw,
        set_aside=(*_heading(dialect), *aside),
        removed=removed,
        lines=None,
        scrub=None,
        last_row_suspect=cut,
        last_row_full=cut,
        tell_tale=raw.columns[-1] if cut else None,
    )


def _raw(
    path: Path,
    table: Path,
    dialect: Dialect,
    skip: int,
    text: Sniff,
    quoted: bool = False,
) -> RawLog:
    parts = _sample_lines(table, skip)
    # without quotes in the sample a later one is a letter like others: it hides no rows
    quote = '"' if quoted or any(b'"' in p for p in parts) else None
    sample, head = _sample(parts, dialect, quote, path)
    suspect = _end_cut(table, text)
    numeric = _numeric_columns(sample, dialect)

    def scan(needed: Sequence[str], as_text: frozenset[str]) -> pl.LazyFrame:
        floats = numeric - as_text
        schema = {c: pl.Float64 if c in floats else pl.String for c in dialect.columns}
        return pl.scan_csv(
            table,
            glob=False,
            has_header=False,
            skip_lines=skip,
            schema=schema,
            separator=dialect.delimiter,
            decimal_comma=dialect.decimal_comma,
            comment_prefix=None,
            quote_char=quote,
        ).select(needed)

    filled = [s.name for s in sample if s.null_count() < len(s)]
    return RawLog(
        path=path,
        kind="delimited",
        columns=dialect.columns,
        sample=sample,
        head=head,
        scan=scan,
        units=dialect.units,
        headless=dialect.headless,
        set_aside=(*_heading(dialect), *remarks_told(dialect.remarks)),
        decimal_comma=dialect.decimal_comma,
        last_row_suspect=suspect,
        last_row_full=suspect and _last_cells(table, dialect) == len(dialect.columns),
        tell_tale=filled[-1] if filled else dialect.columns[-1],
        lines=(lambda: _count_lines(table) - skip + suspect) if quote else None,
        scrub=lambda folder: _scrubbed(path, text, dialect, folder),
    )


def _heading(dialect: Dialect) -> list[SetAside]:
    """Say what stands above the samples and is none of them."""
    told = []
    if dialect.titles:
        shown = ", ".join(repr(t[:60]) for t in dialect.titles[:3])
        count = len(dialect.titles)
        told.append(
            SetAside(
                "title-rows",
                counted(count, "line stands", "lines stand")
                + " above the one that names the columns, left out of the samples: "
                + shown
                + (", ..." if count > 3 else ""),
                (),
                count,
            )
        )
    if dialect.units:
        units = ", ".join(f"{name} in {unit}" for name, unit in list(dialect.units.items())[:8])
        more = ", ..." if len(dialect.units) > 8 else ""
        told.append(SetAside("unit-row", f"a row of units stands under the names: {units}{more}"))
    return told


def _count_lines(path: Path) -> int:
    count = 0
    with path.open("rb") as handle:
        while chunk := handle.read(_COUNT_BYTES):
            count += chunk.count(b"\n")
    return count


def _end_cut(path: Path, text: Sniff) -> bool:
    ends = tuple(end.encode(text.encoding) for end in "\n\r")
    with path.open("rb") as handle:
        handle.seek(-len(ends[0]), 2)
        return handle.read() not in ends


def _last_cells(path: Path, dialect: Dialect) -> int:
    """Count the cells of the last line of a file that is UTF-8 with line feeds."""
    with path.open("rb") as handle:
        handle.seek(-min(MAX_LINE_BYTES, path.stat().st_size), 2)
        line = handle.read().rpartition(b"\n")[2]
    return len(split(line.decode("utf-8", "replace"), dialect.delimiter, dialect.blanks))


def _comments_inside(path: Path, text: Sniff, dialect: Dialect) -> bool:
    mark = dialect.comment or ""
    return any(
        line.startswith(mark)
        for line in islice(lines_of(path, text), dialect.skip, _LOOK_LINES * 10)
    )


def _sample_lines(table: Path, skip: int) -> list[bytes]:
    """Read lines of the head and of some blocks spread over the file."""
    size = table.stat().st_size
    with table.open("rb") as handle:
        for _ in range(skip):
            handle.readline()
        start = handle.tell()
        head = handle.read(_SAMPLE_BYTES)
        parts = [_whole_lines(head, first=True, last=start + len(head) >= size)]
        stride = (size - start) // (_SAMPLE_BLOCKS + 1)
        if stride > _SAMPLE_BLOCK_BYTES * 2:
            for k in range(1, _SAMPLE_BLOCKS + 1):
                handle.seek(start + k * stride)
                parts.append(_whole_lines(handle.read(_SAMPLE_BLOCK_BYTES), False, False))
    return [p for p in parts if p.strip()]


def _sample(
    parts: Sequence[bytes], dialect: Dialect, quote: str | None, path: Path
) -> tuple[pl.DataFrame, int]:
    """Return the sampled lines as a table of text, and how many rows its head has."""
    frames = [_parse(p, dialect, quote) for p in parts]
    if not frames:
        raise LogRefused("a header, and no data rows", file=path)
    return pl.concat(frames), frames[0].height


def _parse(lines: bytes, dialect: Dialect, quote: str | None) -> pl.DataFrame:
    return pl.read_csv(
        io.BytesIO(lines),
        has_header=False,
        schema=dict.fromkeys(dialect.columns, pl.String),
        separator=dialect.delimiter,
        quote_char=quote,
        truncate_ragged_lines=True,
        encoding="utf8-lossy",
    )


def _whole_lines(block: bytes, first: bool, last: bool) -> bytes:
    begin = 0 if first else block.find(b"\n") + 1
    end = len(block) if last else block.rfind(b"\n") + 1
    return block[begin:end]


def _numeric_columns(sample: pl.DataFrame, dialect: Dialect) -> frozenset[str]:
    pattern = _FLOAT_TEXT.replace(r"\.", ",") if dialect.decimal_comma else _FLOAT_TEXT
    filled = pl.all().is_not_null()
    answers = sample.select((~filled | pl.all().str.contains(pattern)).all() & filled.any()).row(0)
    return frozenset(c for c, yes in zip(sample.columns, answers, strict=True) if yes)


def failed_column(error: Exception, columns: Sequence[str]) -> str | None:
    """Return the column that polars could not read as a number, if it says so."""
    found = re.search(r"at column '(.*?)' \(column number", str(error))
    return found.group(1) if found and found.group(1) in columns else None


__all__ = ["RawLog", "SetAside", "failed_column", "read_delimited"]
