"""Where the store is that nobody names. Loads nothing else: `pullbook status` must not pay for tables."""

from __future__ import annotations

import os
from pathlib import Path


def default_store() -> Path:
    """$PULLBOOK_STORE, or the platform's folder for a user's data."""
    if named := os.environ.get("PULLBOOK_STORE"):
        return Path(named)
    import platformdirs

    return Path(platformdirs.user_data_dir("pullbook", appauthor=False))
