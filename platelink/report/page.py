"""The page of a sealed record as one HTML file that needs nothing else."""

from __future__ import annotations

from jinja2 import Environment, PackageLoader, StrictUndefined

from platelink.report.qr import code_svg
from platelink.report.sheet import Sheet

_TEMPLATES = Environment(
    loader=PackageLoader("platelink.report"), autoescape=True, undefined=StrictUndefined,
    trim_blocks=True, lstrip_blocks=True,
)  # fmt: skip


def html_of(sheet: Sheet) -> bytes:
    """The same bytes for the same sheet."""
    page = _TEMPLATES.get_template("report.html")
    return page.render(sheet=sheet, code=code_svg(sheet.code)).encode()
