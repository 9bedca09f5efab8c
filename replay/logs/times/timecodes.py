"""CCSDS binary time codes (CCSDS 301.0-B-4), octets to nanoseconds.

The P-field says how the T-field is laid out; it must be there, or be given.
CUC with the CCSDS epoch counts TAI seconds from 1958-01-01; CDS counts UTC
days from there. An agency epoch is refused unless the caller states it.
"""

from __future__ import annotations

from datetime import date

from replay.logs.times.timeforms import DAY_NS, SECOND_NS, leap_second_day

EPOCH_1958_NS = -4383 * DAY_NS
_EPOCH_1958 = date(1958, 1, 1).toordinal()
_CUC_CCSDS, _CUC_AGENCY, _CDS = 0b001, 0b010, 0b100


def decode_cuc(octets: bytes, *, epoch_ns: int | None = None) -> int:
    """Return ns since 1970 in the code's own scale: TAI for the CCSDS epoch.

    Parameters
    ----------
    octets : bytes
        P-field and T-field.
    epoch_ns : int, optional
        The agency epoch, ns since 1970 in the scale that the clock counts.

    Raises
    ------
    ValueError
        When the code is no CUC, is cut, or has an agency epoch nobody stated.
    """
    if not octets:
        raise ValueError("no octets")
    p = octets[0]
    code = (p >> 4) & 0b111
    if code not in (_CUC_CCSDS, _CUC_AGENCY):
        raise ValueError(f"P-field {p:02X} is no unsegmented code")
    coarse, fine = ((p >> 2) & 0b11) + 1, p & 0b11
    start = 1
    if p & 0x80:
        if len(octets) < 2:
            raise ValueError("the P-field is cut")
        coarse += (octets[1] >> 5) & 0b11
        fine += (octets[1] >> 2) & 0b111
        start = 2
    if len(octets) != start + coarse + fine:
        raise ValueError(f"{len(octets)} octets, the P-field asks for {start + coarse + fine}")
    if code == _CUC_CCSDS and epoch_ns is not None:
        raise ValueError("the code counts from 1958 by its P-field, the log map from its own epoch")
    if code == _CUC_AGENCY and epoch_ns is None:
        raise ValueError("agency epoch: state it in the log map, [time] epoch")
    base = EPOCH_1958_NS if code == _CUC_CCSDS else int(epoch_ns or 0)
    count = int.from_bytes(octets[start:], "big")
    return base + (count * SECOND_NS + (1 << (8 * fine)) // 2) // (1 << (8 * fine))


def decode_cds(octets: bytes, *, epoch_ns: int | None = None) -> int:
    """Return ns since 1970, UTC; in a leap second, those of the next day's start.

    Raises
    ------
    ValueError
        When the code is no CDS, is cut, names a second that did not exist,
        or has an agency epoch nobody stated.
    """
    if not octets:
        raise ValueError("no octets")
    p = octets[0]
    if (p >> 4) & 0b111 != _CDS or p & 0x80:
        raise ValueError(f"P-field {p:02X} is no day segmented code")
    if p & 0b1000 and epoch_ns is None:
        raise ValueError("agency epoch: state it in the log map, [time] epoch")
    days = 3 if p & 0b100 else 2
    below = {0b00: 0, 0b01: 2, 0b10: 4}.get(p & 0b11)
    if below is None or len(octets) != 1 + days + 4 + below:
        raise ValueError(f"P-field {p:02X} does not fit {len(octets)} octets")
    day = int.from_bytes(octets[1 : 1 + days], "big")
    ms = int.from_bytes(octets[1 + days : 5 + days], "big")
    fine = int.from_bytes(octets[5 + days :], "big") if below else 0
    ns = fine * 1000 if below == 2 else fine // 1000
    base = EPOCH_1958_NS if not p & 0b1000 else int(epoch_ns or 0)
    today = date.fromordinal(_EPOCH_1958 + (base - EPOCH_1958_NS) // DAY_NS + day)
    if ms >= 86_401_000 or (ms >= 86_400_000 and not leap_second_day(today)):
        raise ValueError(f"{ms} ms do not exist on {today.isoformat()}")
    return base + day * DAY_NS + ms * 1_000_000 + ns
