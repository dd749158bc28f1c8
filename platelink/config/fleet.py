"""Settings of the fleet: many units looked at together."""

from __future__ import annotations

from pathlib import Path
from typing import Self

from pydantic import SecretStr, model_validator

from platelink.config.services import only_one, secret_of
from platelink.forms.keys import Section, key, table
from platelink.forms.paths import PathKey


class _Login(Section):
    """How to log in to the broker, where the unit of the same file has its own name."""

    username: str | None = key(
        "Name to log in to the broker with. Left out: broker.username.", None, sample="reader"
    )
    password: SecretStr | None = key(
        "Its password; password_file keeps it out of this file.", None, sample="example"
    )
    password_file: PathKey | None = key(
        "File whose only line is the password.", None, sample="/etc/platelink/fleet-password"
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        only_one(self, "password")
        if self.username is None and (self.password or self.password_file):
            raise ValueError("username: a password needs its name as well")
        return self

    def secret(self) -> str | None:
        """The password; ``SecretFileError`` when its file cannot be read."""
        return secret_of(self.password, self.password_file)


class KeepSection(_Login):
    """`platelink fleet keep`, a program of its own: it needs a user of its own."""

    username: str | None = key(
        "Name to log in to the broker with. Left out: broker.username.", None, sample="keeper"
    )


class FleetSection(_Login):
    """`platelink fleet`: what all units of a broker are doing, and copies of their journals."""

    path: PathKey = key(
        "Folder of the copies that `platelink fleet keep` makes.", Path("/var/lib/platelink/fleet")
    )
    page_password_file: PathKey | None = key(
        "File whose only line is the password of `platelink fleet page`, of at least "
        "12 characters.",
        None,
        sample="/etc/platelink/fleet-page-password",
    )
    keep: KeepSection = table(
        "How `platelink fleet keep` logs in to the broker: as another user than the one above, "
        "since the broker keeps one session for each.",
        KeepSection(),
    )

    @model_validator(mode="after")
    def _two_users(self) -> Self:
        if self.username is not None and self.username == self.keep.username:
            raise ValueError("keep.username: must be another user than username")
        return self
