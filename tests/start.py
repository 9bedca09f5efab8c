"""The instant that written logs and streams begin at, said once for all tests."""

from __future__ import annotations

from datetime import UTC, datetime

START = datetime(2031, 3, 1, tzinfo=UTC)
START_NS = 1_930_089_600_000_000_000
"""The same, nanoseconds since 1970."""
HOUR_NS = 3_600_000_000_000
DAY_NS = 24 * HOUR_NS
