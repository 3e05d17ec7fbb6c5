"""What a recorder tells of itself, in the words that `status` and the page beside it share."""

from __future__ import annotations

from collections.abc import Collection
from typing import Any

from logger.store import presence

STUCK_S = 5.0
"""A recorder renews its state every second or two; one that has not for so long may be stuck [s]."""
_SILENT_S = 3.0


def source_said(source: dict[str, Any], doubts: Collection[str]) -> tuple[str, bool]:
    """How a source is, and whether it is well; `doubts` names those whose bytes make no sense."""
    ago, how = source["last_bytes_s_ago"], str(source["state"])
    if how != "open":
        return how, False
    if source["name"] in doubts:
        return "unreadable: is the baud right?", False
    if ago is None or ago > _SILENT_S:
        return "silent: is it powered?", False
    return how, True


def stuck_said(state: dict[str, Any]) -> str:
    """What to say of a recorder that lives and has not renewed its state for long; "" while it does."""
    age_s = presence.age_s(state)
    if age_s < STUCK_S:
        return ""
    return f"The recorder has told nothing for {age_s:.0f} s: it may be stuck, and nothing be recorded since"
