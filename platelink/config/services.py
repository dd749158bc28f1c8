"""Settings beside the unit: journal, recipes, service, broker, store, recorder, display."""

from __future__ import annotations

import base64
import hashlib
import re
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, SecretStr, model_validator

from platelink.forms.keys import LISTED, PlainName, Seconds, Section, key
from platelink.forms.paths import PathKey

_HOST = re.compile(r"[a-z0-9]([a-z0-9.-]{0,251}[a-z0-9])?")


def _host_name(name: str) -> str:
    if not _HOST.fullmatch(name):
        raise ValueError(
            "must be a name in small letters, digits, '-' and '.', without http:// and port"
        )
    return name


HostName = Annotated[str, AfterValidator(_host_name)]


def _watch_place(text: str) -> str:
    host, _, port = text.rpartition(":")
    if not (port.isascii() and port.isdecimal() and int(port) <= 65535) or " " in host:
        raise ValueError("must be [host:]port, as 127.0.0.1:9461")
    return text


WatchPlace = Annotated[str, AfterValidator(_watch_place)]


class SecretFileError(Exception):
    """A password or token file cannot be read; says which and why."""


class JournalSection(Section):
    """The unit's own record."""

    path: PathKey = key(
        "File of the journal; its directory must exist and be writable.",
        Path("/var/lib/platelink/journal.sqlite"),
    )
    tapes_mb: Annotated[int, Field(ge=0, le=1_000_000)] = key(
        "Space for tapes of all inputs, from which platelink replay makes the same again, in MB; "
        "the oldest go first, the present one never. 0: none are kept.",
        2000,
    )
    keep_samples_days: int | None = key(
        "Samples of closed runs older than this are removed once they are sealed and in a backup; "
        "everything else stays: docs/evidence.md. Left out: nothing is removed.",
        None,
        sample=730,
        ge=90,
        le=36_500,
    )


class RecipesSection(Section):
    """Recipes, stock lots, screens and films."""

    path: PathKey | None = key(
        "File of the store of recipes; units on one computer may share it. Left out: "
        "recipes.sqlite beside the journal.",
        None,
        sample="/var/lib/platelink/recipes.sqlite",
    )
    expired_lot: Literal["warn", "block"] = key(
        "What happens with a lot that is past its best-before date, has been open for longer than "
        "it may, or was stored outside its limits. warn: made on all the same with a reason. "
        "block: no plate is begun with it.",
        "block",
    )
    least_film_density: float | None = key(
        "Least density of a film's black; of a film with less, or not measured, a plate is made "
        "on all the same only. Left out: any.",
        None,
        gt=0.0,
        le=8.0,
        sample=3.5,
    )
    own_approval: Literal["auto", "yes", "no"] = key(
        "May leads approve their own drafts and calibrations? auto: only while there is no "
        "other active lead.",
        "auto",
    )


_LOG_KEY = re.compile(
    r"(platelink/[^/+\s]+/[^/+\s_][^/+\s]*/[0-9a-f]{8})\+([0-9a-f]{8})\+([A-Za-z0-9+/]{44})"
)


def _log_key(text: str) -> str:
    found = _LOG_KEY.fullmatch(text)
    if found is None:
        raise ValueError("must be the line that 'platelink seal key' prints at the other unit")
    name, key_id, key = found.groups()
    named = f"{name}\n".encode() + base64.b64decode(key)
    if base64.b64decode(key)[:1] != b"\1":
        raise ValueError("must be the line that 'platelink seal key' prints at the other unit")
    if hashlib.sha256(named).hexdigest()[:8] != key_id:  # C2SP signed-note
        raise ValueError("is damaged: its id does not fit it; copy the whole line again")
    return text


LogKey = Annotated[str, AfterValidator(_log_key)]


class CosigningSection(Section):
    """Units that witness each other's logs of seals."""

    units: Annotated[tuple[LogKey, ...], LISTED] = key(
        "Keys of the units that witness each other: the line that `platelink seal key` prints at "
        "each; a unit passes over its own. It cosigns the logs of seals of the others, and takes "
        "their cosignatures of its own. Where one has another key by now, both stand here.",
        (),
        sample=(
            "platelink/shop/unit-2/0a1b2c3d+349b75aa+AQOhB7/zzhC+HXDdGOdLwJln5NYwm6UNXx3chmQSVTG4",
        ),
    )
    needed: int = key(
        "How many of them must have cosigned a record for `platelink verify` to pass it.",
        0,
        ge=0,
        le=100,
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        names = {text.partition("+")[0] for text in self.units}
        if self.needed > len(names):
            raise ValueError(f"needed: {self.needed} of {len(names)} units cannot cosign")
        return self


class StampingSection(Section):
    """Time stamps of seals, by an authority of your choice (RFC 3161)."""

    url: str = key(
        "Address of the authority: the daemon, when something was sealed, and `platelink bundle` "
        "send it the SHA-256 of the checkpoint, and nothing else.",
        example="https://tsa.example/tsr",
        pattern=r"^https?://[^/\s]+\S*$",
    )
    certificate_file: PathKey | None = key(
        "Certificates (PEM) that answer for the authority: what it sends is kept only where it "
        "holds under one of them, and `platelink verify` checks by them. Leave older ones in when "
        "it gets another. Left out: neither is checked.",
        None,
        sample="/etc/platelink/tsa.pem",
    )
    timeout_s: int = key("How long its answer is waited for.", 10, unit="s", ge=1, le=120)


class CalibrationSection(Section):
    """Calibrations made with `platelink calibrate`."""

    path: PathKey | None = key(
        "File of the store of calibrations, of this unit alone. Left out: calibrations.sqlite "
        "beside the journal.",
        None,
        sample="/var/lib/platelink/calibrations.sqlite",
    )
    warn_days: int = key(
        "Days before the due date from which it is announced.", 30, unit="days", ge=0, le=366
    )
    grace_days: int = key(
        "Days after the due date during which a calibration only warns; after that a lead "
        "must choose to continue with it overdue.",
        0,
        unit="days",
        ge=0,
        le=366,
    )


class ServiceSection(Section):
    """The service behind the page and the command line."""

    port: int | None = key(
        "Port of the service on loopback; 0 takes any free one. Left out: only the Unix socket "
        "beside the journal.",
        None,
        ge=0,
        le=65535,
        sample=8470,
    )
    hosts: Annotated[tuple[HostName, ...], LISTED] = key(
        "Names besides localhost by which browsers may reach the port; requests for any other name "
        "are refused.",
        (),
        sample=("plates.example",),
    )
    page_socket: PathKey | None = key(
        "A socket for the page alone, where it runs as a user of its own: nobody who connects "
        "there counts as a program on this computer. Left out: the page uses the service's "
        "own.",
        None,
        sample="/run/platelink/page.socket",
    )
    page_group: PlainName | None = key(
        "Group of users that may open that socket; the daemon must be in it.",
        None,
        sample="platelink-face",
    )
    people: PathKey | None = key(
        "File of the people who may sign in. Left out: people.sqlite beside the journal.",
        None,
        sample="/var/lib/platelink/people.sqlite",
    )


def secret_of(plain: SecretStr | None, file: Path | None) -> str | None:
    """The secret itself: read when it is needed, never kept in the configuration."""
    if plain is not None:
        return plain.get_secret_value()
    if file is None:
        return None
    try:
        text = file.read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError) as error:
        raise SecretFileError(f"{file}: cannot be read ({error}); check path and owner") from None
    if not text:
        raise SecretFileError(f"{file}: is empty; write the secret as its only line")
    return text


def only_one(section: Section, *pairs: str) -> None:
    for name in pairs:
        if getattr(section, name) is not None and getattr(section, f"{name}_file") is not None:
            raise ValueError(f"{name}_file: give {name} or {name}_file, not both")


class BrokerSection(Section):
    """The MQTT broker. Without this section nothing is published and nothing is missing."""

    host: str = key("Name or address of the broker.", example="127.0.0.1", min_length=1)
    port: int = key("Its port; 8883 is usual with TLS.", 1883, ge=1, le=65535)
    username: str | None = key(
        "Name to log in with; with the shipped access list <site>/<unit>.",
        None,
        sample="site/unit-1",
    )
    password: SecretStr | None = key(
        "Password; password_file keeps it out of this file.", None, sample="example"
    )
    password_file: PathKey | None = key(
        "File whose only line is the password.", None, sample="/etc/platelink/password"
    )
    tls: bool = key("Encrypt the connection.", False)
    ca_file: PathKey | None = key(
        "Certificates to trust instead of the system's.", None, sample="/etc/platelink/ca.crt"
    )
    certificate_file: PathKey | None = key(
        "Certificate of this client.", None, sample="/etc/platelink/client.crt"
    )
    key_file: PathKey | None = key(
        "Key of that certificate.", None, sample="/etc/platelink/client.key"
    )
    keepalive_s: int = key("How soon a dead connection is noticed.", 30, unit="s", ge=5, le=3600)
    blocks: bool = key(
        "Send samples in the journal's own form instead of JSON: a third of the bytes. Recorders "
        "read both; a program of your own must know it (docs/publishing.md).",
        False,
    )
    home_automation: str | None = key(
        "First level of the topics under which home automation finds devices. One retained message "
        "there tells it how to show the unit's status; it takes no commands. Left out: none.",
        None,
        sample="homeassistant",
        pattern=r"^[A-Za-z0-9_-]{1,64}$",
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        only_one(self, "password")
        if (self.certificate_file is None) != (self.key_file is None):
            raise ValueError("key_file: certificate_file and key_file go together")
        if not self.tls and (self.ca_file or self.certificate_file):
            raise ValueError("tls: must be true to use certificates")
        return self

    def secret(self) -> str | None:
        """The password; ``SecretFileError`` when its file cannot be read."""
        return secret_of(self.password, self.password_file)


class StoreSection(Section):
    """The time-series store the recorder writes to, by InfluxDB's write API."""

    url: str = key(
        "Address of the store.", example="http://127.0.0.1:8428", pattern=r"^https?://[^/]+"
    )
    org: str = key("Organisation, where the store has any.", "")
    bucket: str = key("Bucket or database to write to.", "platelink")
    username: str | None = key("Name to log in with.", None, sample="platelink")
    password: SecretStr | None = key(
        "Password; password_file keeps it out of this file.", None, sample="example"
    )
    password_file: PathKey | None = key(
        "File whose only line is the password.", None, sample="/etc/platelink/password"
    )
    token: SecretStr | None = key("Token instead of name and password.", None, sample="example")
    token_file: PathKey | None = key(
        "File whose only line is the token.", None, sample="/etc/platelink/token"
    )
    ca_file: PathKey | None = key(
        "Certificates to trust instead of the system's.", None, sample="/etc/platelink/ca.crt"
    )
    confirm: Literal["auto", "restart", "hold"] = key(
        "When a row counts as kept. restart: by the store's start time, and never without one. "
        "hold: after recorder.hold_s without a lost connection. auto: restart if the store "
        "reports a start time, else hold.",
        "auto",
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        only_one(self, "password", "token")
        if "@" in self.url.split("//", 1)[-1].split("/", 1)[0]:
            raise ValueError(
                "url: an address is shown and logged; give name and password with username and "
                "password_file"
            )
        token = self.token is not None or self.token_file is not None
        if token and (self.username or self.password or self.password_file):
            raise ValueError("token: give a token or name and password, not both")
        return self

    def secret(self) -> str | None:
        """The token or else the password; ``SecretFileError`` when its file cannot be read."""
        return secret_of(self.token, self.token_file) or secret_of(
            self.password, self.password_file
        )


class RecorderSection(Section):
    """The recorder: its own process, from the broker into the store."""

    path: PathKey = key(
        "File of the recorder's own journal.", Path("/var/lib/platelink/recorder.sqlite")
    )
    username: str | None = key(
        "Name to log in to the broker with, where the unit of the same file has its own. Left out: "
        "broker.username.",
        None,
        sample="recorder",
    )
    password: SecretStr | None = key(
        "Its password; password_file keeps it out of this file.", None, sample="example"
    )
    password_file: PathKey | None = key(
        "File whose only line is the password.", None, sample="/etc/platelink/recorder-password"
    )
    group: PlainName | None = key(
        "Name shared by several recorders that divide the stream between them.",
        None,
        sample="recorders",
    )
    partitions: Annotated[tuple[int, ...], LISTED] = key(
        "Streams of [jetstream] that this recorder takes, from 0 on. Left out: all of them.",
        (),
        sample=(0, 1),
    )
    hold_s: Seconds = key(
        "How long a row is held after the store has accepted it.", 15.0, unit="s", ge=1.0, le=3600.0
    )
    watch: WatchPlace | None = key(
        "Where /metrics and /health are answered, [host:]port. Left out: nowhere.",
        None,
        sample="127.0.0.1:9461",
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        only_one(self, "password")
        if self.username is None and (self.password or self.password_file):
            raise ValueError("username: a password of the recorder's needs its name as well")
        return self

    def secret(self) -> str | None:
        """The password; ``SecretFileError`` when its file cannot be read."""
        return secret_of(self.password, self.password_file)


class DisplaySection(Section):
    """Units for people; records are always in kPa, °C, mW/cm² and mJ/cm²."""

    dose: Literal["mJ/cm2", "J/cm2", "J/m2"] = key("Unit of doses.", "mJ/cm2")
    irradiance: Literal["mW/cm2", "W/m2"] = key("Unit of irradiances.", "mW/cm2")
    vacuum: Literal["kPa", "mbar", "inHg"] = key("Unit of the vacuum.", "kPa")
    temperature: Literal["degC", "degF"] = key("Unit of temperatures.", "degC")
