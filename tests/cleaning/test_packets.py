"""Space packets by an XTCE description: framing, lost and cut packets, time codes."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest

from replay.logs.readers.packets import lost_between, read_header
from tests.cleaning.logs import notes, only, samples, take

XTCE = """<?xml version="1.0" encoding="UTF-8"?>
<xtce:SpaceSystem xmlns:xtce="http://www.omg.org/spec/XTCE/20180204" name="Yard">
<xtce:TelemetryMetaData>
<xtce:ParameterTypeSet>
{integers}
<xtce:BinaryParameterType name="cuc_t"><xtce:BinaryDataEncoding><xtce:SizeInBits>
<xtce:FixedValue>48</xtce:FixedValue></xtce:SizeInBits></xtce:BinaryDataEncoding>
</xtce:BinaryParameterType>
<xtce:FloatParameterType name="f32"><xtce:FloatDataEncoding sizeInBits="32" encoding="IEEE754"/>
</xtce:FloatParameterType>
</xtce:ParameterTypeSet>
<xtce:ParameterSet>
{parameters}
</xtce:ParameterSet>
<xtce:ContainerSet>
<xtce:SequenceContainer name="CCSDSPacket" abstract="true"><xtce:EntryList>
{header}
</xtce:EntryList></xtce:SequenceContainer>
<xtce:SequenceContainer name="Drive"><xtce:EntryList>
{body}
</xtce:EntryList><xtce:BaseContainer containerRef="CCSDSPacket"><xtce:RestrictionCriteria>
<xtce:Comparison parameterRef="PKT_APID" value="291" useCalibratedValue="false"/>
</xtce:RestrictionCriteria></xtce:BaseContainer></xtce:SequenceContainer>
</xtce:ContainerSet>
</xtce:TelemetryMetaData>
</xtce:SpaceSystem>
"""
HEADER = {
    "VERSION": 3, "TYPE": 1, "SEC_HDR_FLG": 1, "PKT_APID": 11, "SEQ_FLGS": 2, "SRC_SEQ_CTR": 14,
    "PKT_LEN": 16,
}  # fmt: skip
BODY = ("STAMP", "A1", "A2", "I1", "I2")
MAP = """
[log]
layout = "long"
joints = 2
[packets]
xtce = "yard.xml"
[time]
column = "STAMP"
format = "ccsds-cuc"
p_field = "1D"
[joint.angle]
column = "A{n}"
unit = "deg"
[joint.current]
column = "I{n}"
unit = "A"
"""


def description() -> str:
    """Return an XTCE document of one packet with a time, two angles, two currents."""
    sizes = sorted(set(HEADER.values()))
    integers = "\n".join(
        f'<xtce:IntegerParameterType name="u{s}" signed="false"><xtce:IntegerDataEncoding '
        f'sizeInBits="{s}" encoding="unsigned"/></xtce:IntegerParameterType>'
        for s in sizes
    )
    kinds = {n: f"u{s}" for n, s in HEADER.items()}
    kinds |= {n: "cuc_t" if n == "STAMP" else "f32" for n in BODY}
    parameters = "\n".join(
        f'<xtce:Parameter name="{n}" parameterTypeRef="{k}"/>' for n, k in kinds.items()
    )
    entries = {
        place: "\n".join(f'<xtce:ParameterRefEntry parameterRef="{n}"/>' for n in names)
        for place, names in (("header", HEADER), ("body", BODY))
    }
    # SizeInBits counts 5 octets: 4 of seconds, 1 of fraction
    return XTCE.format(integers=integers, parameters=parameters, **entries).replace(
        "<xtce:FixedValue>48<", "<xtce:FixedValue>40<"
    )


def packet(apid: int, count: int, data: bytes) -> bytes:
    """Return one unsegmented telemetry packet with a secondary header."""
    return struct.pack(">HHH", 0x0800 | apid, 0xC000 | count % 16384, len(data) - 1) + data


def drive(k: int, count: int | None = None) -> bytes:
    """Return the k-th packet: half a second apart from 2031-03-01T00:00:00Z."""
    tai = 1_930_089_600 + 378_691_200 + 37  # TAI seconds since 1958, TAI - UTC 37 s
    stamp = (tai * 256 + k * 128).to_bytes(5, "big")
    values = struct.pack(">4f", k * 0.5, -k * 0.25, 1.5, 2.0 + k % 2)
    return packet(291, k if count is None else count, stamp + values)


def test_header_of_published_octets() -> None:
    """CCSDS 133.0-B-2 primary header: octets from the standard's layout."""
    one = read_header(bytes.fromhex("1810C0010003"))
    assert (one.version, one.telecommand, one.secondary, one.apid) == (0, True, True, 16)
    assert (one.flags, one.count, one.data_octets) == (3, 1, 4)
    other = read_header(bytes.fromhex("0923C02A003F"))
    assert (other.telecommand, other.apid, other.count, other.data_octets) == (False, 291, 42, 64)
    assert lost_between(16383, 0) == 0


def test_packets_become_samples(tmp_path: Path) -> None:
    (tmp_path / "yard.xml").write_text(description())
    (tmp_path / "yard.map.toml").write_text(MAP)
    idle = packet(2047, 0, b"\x00" * 8)
    unknown = packet(99, 0, b"\x01" * 8)
    kept = [k for k in range(60) if k not in (20, 21)]
    log = tmp_path / "yard.bin"
    log.write_bytes(b"".join(drive(k) for k in kept) + idle + unknown + drive(60)[:11])
    archive, result = take(tmp_path, log, log_map=tmp_path / "yard.map.toml")
    session = only(result)
    got = samples(archive, session)
    assert got["J1.angle_deg"].to_list() == [k * 0.5 for k in kept]
    assert got["J2.current_a"].to_list() == [2.0 + k % 2 for k in kept]
    assert session.start.isoformat() == "2031-03-01T00:00:00+00:00"
    assert session.rate_hz == pytest.approx(2.0)
    assert notes(session, "lost-packets")[0].count == 2
    assert notes(session, "gap")[0].count == 2
    assert [n.count for n in notes(session, "unknown-packet")] == [1], "idle ones are left out"
    assert notes(session, "cut-row")
    said = [n.detail for n in notes(session, "time-scale")]
    assert said[0] == "times were turned from TAI into UTC"
    assert "leap second table" in said[1]
    assert "xtce_text" in (session.map_toml or ""), "the description travels with the map"
    again = take(tmp_path, log, log_map=session.map_toml)[1]
    assert again.unchanged == [session.session]
