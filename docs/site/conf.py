"""How the site looks; ``build.py`` beside it makes it. Nothing is fetched from elsewhere."""

from __future__ import annotations

from pygments.lexers.special import TextLexer
from sphinx.application import Sphinx

project = "platelink"
html_title = "platelink"
author = "the authors of platelink"
extensions = ["myst_parser"]
root_doc = "index"
myst_heading_anchors = 4
suppress_warnings = ["myst.header"]  # a heading may skip a level: those of the wire do
html_theme = "furo"
html_copy_source = False
html_show_sourcelink = False
html_show_copyright = False
html_show_sphinx = False
html_theme_options = {"navigation_with_keys": False, "top_of_page_buttons": []}


def setup(app: Sphinx) -> None:
    """A diagram is shown as its text: drawing it would take a program from elsewhere."""
    app.add_lexer("mermaid", TextLexer)
