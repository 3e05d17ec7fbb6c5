"""An address as a QR code, for a terminal and for a page."""

from __future__ import annotations

import io

import segno


def code_as_text(address: str) -> str:
    """The address as a QR code for a terminal, light on dark or dark on light."""
    out = io.StringIO()
    segno.make(address, error="m", micro=False).terminal(out, compact=True, border=2)
    return out.getvalue()


def code_as_picture(address: str) -> str:
    """The address as a QR code for a page: a data: address of an SVG."""
    return str(segno.make(address, error="m", micro=False).svg_data_uri(scale=5, border=4, light="#fff"))
