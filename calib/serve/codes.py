"""QR codes (ISO/IEC 18004), as text for a terminal and as a picture for a page."""

from __future__ import annotations

import io

import segno


def terminal_code(text: str) -> str:
    out = io.StringIO()
    segno.make(text, error="m").terminal(out, compact=True)
    return out.getvalue()


def svg_code(text: str, label: str) -> str:
    """An SVG element, dark on light whatever the page's colours, named for who cannot see it."""
    return str(
        segno.make(text, error="m").svg_inline(
            scale=4, border=4, dark="#000", light="#fff", svgclass="qr", lineclass=None, title=label, omitsize=False
        )
    )
