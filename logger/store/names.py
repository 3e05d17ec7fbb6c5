"""What stands in a store under a name of its own. Loads nothing else."""

from __future__ import annotations

JOURNAL = "journal"
"""The folder in a drive's own that holds its journal."""
COMMIT = ".commit"
"""The folder in a drive's own with files that are about to be its new ones."""
CARS = "cars"
"""The folder of the stores of other cars."""
