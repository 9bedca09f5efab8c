"""Reports of sessions, batches and units, and bundles that prove themselves."""

from replay.reports.bundle import make_bundle, verify_bundle
from replay.reports.rendering import Report, ReportError
from replay.reports.session_report import session_report
from replay.reports.summary_report import chosen_sessions, summary_report
from replay.reports.unit_report import unit_report

__all__ = [
    "Report",
    "ReportError",
    "chosen_sessions",
    "make_bundle",
    "session_report",
    "summary_report",
    "unit_report",
    "verify_bundle",
]
