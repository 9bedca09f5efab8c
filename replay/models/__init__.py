"""What is normal for a joint unit: expected current, outliers, baselines."""

from replay.models.baselines import Baseline, list_versions, load_baseline
from replay.models.learning import learn

__all__ = ["Baseline", "learn", "list_versions", "load_baseline"]
