"""CCSDS space packets, described by XTCE, become a long table.

Framing follows CCSDS 133.0-B-2 (six octets of primary header, big-endian;
length field one less than the data's octets; APID 2047 is idle). What is
inside a packet is for XTCE (OMG) to say; a kept library reads it, which the
extra ``packets`` installs.
"""

from __future__ import annotations

import struct
import tempfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import polars as pl

from replay.errors import LogMapError, LogRefused, first_line
from replay.logs.maps import LogMap
from replay.logs.readers.columnar import from_frame
from replay.logs.readers.raw import RawLog, SetAside

HEADER = 6
IDLE_APID = 2047
COUNT_MODULUS = 1 << 14
_CHUNK = 1 << 20
_ROWS_AT_ONCE = 500_000
COLUMNS = ("time", "channel", "value")


@dataclass(frozen=True, slots=True)
class Header:
    """A primary header, taken apart."""

    version: int
    telecommand: bool
    secondary: bool
    apid: int
    flags: int
    count: int
    data_octets: int


def read_header(octets: bytes) -> Header:
    """Take six octets apart.

    Examples
    --------
    >>> read_header(bytes.fromhex("0923C02A003F")).apid
    291
    """
    word, sequence, length = struct.unpack(">HHH", octets[:HEADER])
    return Header(
        version=word >> 13,
        telecommand=bool(word & 0x1000),
        secondary=bool(word & 0x0800),
        apid=word & 0x07FF,
        flags=sequence >> 14,
        count=sequence & 0x3FFF,
        data_octets=length + 1,
    )


def lost_between(old: int, new: int) -> int:
    """Return how many packets of one APID are missing between two counts.

    Examples
    --------
    >>> lost_between(16383, 0), lost_between(5, 8)
    (0, 2)
    """
    return (new - old - 1) % COUNT_MODULUS


def looks_like_packets(path: Path, wanted: int = 8) -> bool:
    """Tell whether headers chain from the file's start, one length to the next."""
    seen = 0
    size = path.stat().st_size
    with path.open("rb") as handle:
        while seen < wanted:
            octets = handle.read(HEADER)
            if len(octets) < HEADER:
                break
            header = read_header(octets)
            if header.version != 0 or handle.tell() + header.data_octets > size:
                break
            handle.seek(header.data_octets, 1)
            seen += 1
        return seen >= wanted or (seen > 0 and handle.tell() >= size)


@dataclass(slots=True)
class _Account:
    counts: dict[int, int] = field(default_factory=dict)
    lost: dict[int, int] = field(default_factory=dict)
    unknown: dict[str, int] = field(default_factory=dict)
    cut: bool = False
    packets: int = 0
    no_time: int = 0


def read_packets(path: Path, log_map: LogMap, scratch: Path) -> RawLog:
    """Read a file of packets as rows of time, channel and value.

    Raises
    ------
    LogRefused
        When the extra is not installed, or no packet fits the description.
    LogMapError
        When the description itself is wrong.
    """
    definition, root = _definition(log_map, path)
    wanted = log_map.time.columns
    account = _Account()
    pieces: list[Path] = []
    rows: list[tuple[str, str, str]] = []

    def keep() -> None:
        piece = scratch / f"packets{len(pieces)}.parquet"
        pl.DataFrame(rows, schema=list(COLUMNS), orient="row").write_parquet(piece)
        pieces.append(piece)
        rows.clear()

    for octets in _packets(path, account):
        try:
            values = definition.parse_bytes(octets, root_container_name=root)
        except Exception as error:  # the library raises many kinds
            kind = f"APID {read_header(octets).apid}: {type(error).__name__}"
            account.unknown[kind] = account.unknown.get(kind, 0) + 1
            continue
        time = next((_word(values[w]) for w in wanted if w in values), None)
        if time is None:
            account.no_time += 1
            continue
        rows.extend((time, name, _word(v)) for name, v in values.items() if name not in wanted)
        if len(rows) >= _ROWS_AT_ONCE:
            keep()
    if rows:
        keep()
    if not pieces:
        raise LogRefused(
            f"none of {account.packets} packets could be read: "
            + (", ".join(account.unknown) or f"no parameter {' or '.join(wanted)} for the time"),
            file=path,
        )
    raw = from_frame(path, "packets", pl.scan_parquet(pieces, glob=False))
    return replace(raw, set_aside=tuple(_aside(account)))


def _definition(log_map: LogMap, path: Path) -> tuple[Any, str | None]:
    try:
        import space_packet_parser as spp
    except ImportError:
        raise LogRefused(
            "packets need a library that is not installed",
            file=path,
            todo='pip install "jointbook[packets]"',
        ) from None
    text = log_map.packets.get("xtce_text", "")
    with tempfile.TemporaryDirectory(prefix="jointbook-") as folder:
        described = Path(folder) / "packets.xml"
        described.write_text(text, encoding="utf-8")
        try:
            return spp.load_xtce(described), log_map.packets.get("root")
        except Exception as error:  # the library raises many kinds
            raise LogMapError(
                f"packets.xtce is no packet description: {first_line(error)}", file=path
            ) from None


def _packets(path: Path, account: _Account) -> Iterator[bytes]:
    """Yield whole packets; count lost ones, leave idle ones out."""
    with path.open("rb") as handle:
        while octets := handle.read(HEADER):
            if len(octets) < HEADER:
                account.cut = True
                return
            header = read_header(octets)
            data = handle.read(header.data_octets)
            if header.version != 0:
                raise LogRefused(
                    f"packet {account.packets + 1} has version {header.version}: "
                    "the file is out of step",
                    file=path,
                    todo="it may carry frames around its packets; take them off first",
                )
            if len(data) < header.data_octets:
                account.cut = True
                return
            account.packets += 1
            if header.apid == IDLE_APID:
                continue
            old = account.counts.get(header.apid)
            if old is not None and (lost := lost_between(old, header.count)):
                account.lost[header.apid] = account.lost.get(header.apid, 0) + lost
            account.counts[header.apid] = header.count
            yield octets + data


def _aside(account: _Account) -> Iterable[SetAside]:
    for apid, lost in account.lost.items():
        yield SetAside("lost-packets", f"APID {apid}: sequence counts show {lost} lost", (), lost)
    for kind, count in account.unknown.items():
        yield SetAside("unknown-packet", f"{kind}: not in the description, set aside", (), count)
    if account.no_time:
        yield SetAside("time", "packets without the time parameter", (), account.no_time)
    if account.cut:
        yield SetAside(
            "cut-row", "the last packet is cut and was set aside", (account.packets + 1,)
        )


def _word(value: Any) -> str:
    """Write a parameter's value as text that keeps every digit."""
    if isinstance(value, bytes):
        return value.hex()
    if isinstance(value, float):
        return repr(float(value))
    if isinstance(value, int):
        return str(int(value))
    return str(value)
