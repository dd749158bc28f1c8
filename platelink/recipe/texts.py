"""Texts of a recipe in several languages, as they are written. Pure.

``prompt.en = "Rinse."`` and ``prompt.de = "Abspülen."`` become one text with a line for each
language (``platelink/contract/texts.py``): that is what is hashed, stored and sent.
"""

from __future__ import annotations

import re
from typing import Annotated

from pydantic import BeforeValidator

from platelink.forms.keys import Paragraph


def joined(value: object) -> object:
    """A table of texts by language as one text; anything else as it is."""
    if not isinstance(value, dict):
        return value
    bad = [name for name in value if not re.fullmatch("[a-z]{2}", str(name))]
    if bad or not value:
        raise ValueError(
            f"{', '.join(map(str, bad)) or 'no text'}: write texts by language, such as "
            'en = "Rinse." and de = "Abspülen."'
        )
    if not all(isinstance(text, str) and text.strip() for text in value.values()):
        raise ValueError("must have a text for each language")
    return "\n".join(f"[{language}] {value[language].strip()}" for language in sorted(value))


Said = Annotated[Paragraph, BeforeValidator(joined)]
