"""Chunks to frames: whole text lines or binary frames, each with the arrival time of its first byte."""

from __future__ import annotations

from typing import NamedTuple


class Chunk(NamedTuple):
    """Bytes as they came from a source's port in one read."""

    mono_ns: int
    """Host monotonic clock when the bytes arrived [ns]."""
    source: str
    data: bytes


class Frame(NamedTuple):
    """One whole line (without its line end) or binary frame of a source."""

    mono_ns: int
    """Host monotonic clock when the chunk with the frame's first byte arrived [ns]."""
    data: bytes
