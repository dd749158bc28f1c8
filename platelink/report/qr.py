"""Codes to scan, as SVG: QR (ISO/IEC 18004). The only import of segno."""

from __future__ import annotations

from io import BytesIO

import segno


def code_svg(text: str) -> str:
    """A QR code of a text, error correction M or better, with its quiet zone of four modules."""
    file = BytesIO()
    segno.make_qr(text, error="m", encoding="utf-8").save(
        file, kind="svg", border=4, omitsize=True, xmldecl=False, nl=False, light="#fff"
    )
    return file.getvalue().decode()
