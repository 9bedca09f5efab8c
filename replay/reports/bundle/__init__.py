"""Evidence bundles: one file that holds a session's whole chain and proves itself."""

from replay.reports.bundle.making import Made, make_bundle
from replay.reports.bundle.verifying import Verified, verify_bundle

__all__ = ["Made", "Verified", "make_bundle", "verify_bundle"]
