"""What is normal for a joint unit: expected current, outliers, baselines."""

from replay.models.baselines import Baseline, list_versions, load_baseline
from replay.models.beside import beside
from replay.models.learning import learn

__all__ = ["Baseline", "beside", "learn", "list_versions", "load_baseline"]
