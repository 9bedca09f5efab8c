"""The baseline that the pages compare with."""

from __future__ import annotations

from typing import TYPE_CHECKING

from replay.archive import Archive
from replay.errors import BaselineError

if TYPE_CHECKING:
    from replay.models import Baseline


def newest(archive: Archive) -> tuple[Baseline | None, str]:
    """Return the newest baseline, or None and why there is none."""
    from replay.models import load_baseline  # loads scikit-learn: not before it is needed

    try:
        return load_baseline(archive), ""
    except BaselineError as error:
        return None, error.sentence()
    except (KeyError, TypeError, ValueError) as error:  # written by another version
        return None, f"The newest baseline cannot be read ({error!r}); learn again."
