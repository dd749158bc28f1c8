"""Settings of the shop as one place: whose signature a unit takes, and who sends."""

from __future__ import annotations

import base64
import hashlib
import re
from pathlib import Path
from typing import Annotated, Self

from pydantic import AfterValidator, Field, SecretStr, model_validator

from platelink.config.services import only_one, secret_of
from platelink.forms.keys import LISTED, Section, key
from platelink.forms.paths import PathKey

_KEY = re.compile(r"(platelink/[^/+\s]+/_shop/[0-9a-f]{8})\+([0-9a-f]{8})\+([A-Za-z0-9+/]{44})")


def _shop_key(text: str) -> str:
    found = _KEY.fullmatch(text)
    if found is None or base64.b64decode(found[3])[:1] != b"\1":
        raise ValueError("must be the line that 'platelink shop key' prints where the shop signs")
    named = f"{found[1]}\n".encode() + base64.b64decode(found[3])
    if hashlib.sha256(named).hexdigest()[:8] != found[2]:  # C2SP signed-note
        raise ValueError("is damaged: its id does not fit it; copy the whole line again")
    return text


class ShopSection(Section):
    """Recipes, people and calibrations from one place, signed."""

    keys: Annotated[
        tuple[Annotated[str, AfterValidator(_shop_key)], ...], LISTED, Field(max_length=2)
    ] = key(
        "The shop's key: the line that `platelink shop key` prints. What is signed by another is "
        "refused. Two while the shop changes its key. Left out: nothing is taken.",
        (),
        sample=(
            "platelink/shop/_shop/56475aa7+c475f511+AQOhB7/zzhC+HXDdGOdLwJln5NYwm6UNXx3chmQSVTG4",
        ),
    )
    people_key_file: PathKey | None = key(
        "The shop's people.key, copied here by hand: with it this unit opens the hashes of PINs "
        "and passwords, which are closed on the broker. Left out: people are not taken.",
        None,
        sample="/etc/platelink/secrets/people.key",
    )
    folder: PathKey | None = key(
        "On the one computer where the shop signs: folder of its keys and of all that was sent. "
        "Left out: shop beside the journal.",
        None,
        sample="/var/lib/platelink/shop",
    )
    username: str = key("There: name to log in to the broker with, to send.", "shop")
    password: SecretStr | None = key(
        "Its password; password_file keeps it out of this file.", None, sample="example"
    )
    password_file: PathKey | None = key(
        "File whose only line is the password.", None, sample="/etc/platelink/secrets/shop-password"
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        only_one(self, "password")
        return self

    def secret(self) -> str | None:
        """The password; ``SecretFileError`` when its file cannot be read."""
        return secret_of(self.password, self.password_file)

    def place(self, journal: Path) -> Path:
        """The folder where the shop signs."""
        return self.folder or journal.with_name("shop")
