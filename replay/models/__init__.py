"""What is normal for a joint unit: expected current, its doubt, baselines, outliers."""

from replay.models.baseline import Baseline
from replay.models.grid.blocks import Piece, SessionBlocks
from replay.models.grid.condensing import condense
from replay.models.model import Model, residuals_of
from replay.models.stored_baselines import (
    list_versions,
    load_baseline,
    newest_stamp,
    readable_baseline,
    save_baseline,
)
from replay.models.training import Training, fit, fit_blocks

__all__ = [
    "Baseline",
    "Model",
    "Piece",
    "SessionBlocks",
    "Training",
    "condense",
    "fit",
    "fit_blocks",
    "list_versions",
    "load_baseline",
    "newest_stamp",
    "readable_baseline",
    "residuals_of",
    "save_baseline",
]
