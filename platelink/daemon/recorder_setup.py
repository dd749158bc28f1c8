"""From a configuration to a recorder: what it and its store are told."""

from __future__ import annotations

import os
import secrets
from dataclasses import replace
from pathlib import Path

from platelink.config.model import RecorderConfig
from platelink.config.services import RecorderSection, StoreSection
from platelink.daemon.setup import broker_settings
from platelink.ledger.private import opener
from platelink.publish.broker import BrokerSettings
from platelink.publish.recorder import RecorderSettings
from platelink.publish.store import StoreSettings
from platelink.publish.upload import UploadSettings

DEFAULT_FOLDER = RecorderSection().path.parent


class SessionNameError(Exception):
    """The name of the recorder's session cannot be kept; the text says what to do."""


def store_settings(store: StoreSection) -> StoreSettings:
    """The store as the recorder takes it. ``SecretFileError`` when a secret cannot be read."""
    by_token = store.token is not None or store.token_file is not None
    return StoreSettings(
        url=store.url,
        token=store.secret() if by_token else None,
        username=store.username,
        password=None if by_token else store.secret(),
        org=store.org,
        bucket=store.bucket,
        ca_file=str(store.ca_file) if store.ca_file else None,
    )


def recorder_settings(config: RecorderConfig) -> RecorderSettings:
    """The recorder of a configuration."""
    part = config.recorder
    return RecorderSettings(
        broker=recorder_broker(config),
        store=store_settings(config.store),
        journal_path=part.path,
        name=session_name(part.path),
        group=part.group,
        upload=UploadSettings(hold_s=part.hold_s, confirm=config.store.confirm),
        watch=None if part.watch is None else _place(part.watch),
    )


def _place(text: str) -> tuple[str, int]:
    host, _, port = text.rpartition(":")
    return host.strip("[]") or "127.0.0.1", int(port)


def recorder_broker(config: RecorderConfig) -> BrokerSettings:
    """The broker as the recorder logs in to it. ``SecretFileError`` as above."""
    broker = broker_settings(config)
    assert broker is not None  # the section is required there
    part = config.recorder
    if part.username is None:
        return broker
    return replace(broker, username=part.username, password=part.secret())


def make_default_folder(folder: Path) -> None:
    """Made for root, where nothing was installed; a folder that somebody named they make."""
    if folder == DEFAULT_FOLDER and not folder.exists() and os.geteuid() == 0:
        folder.mkdir(mode=0o700, parents=True)


def session_name(journal: Path, key: str = "[recorder] path") -> str:
    """Name of this recorder's session with the broker: chosen once and kept beside its journal, so
    that what the broker holds for it is found again, and no two recorders take one session."""
    file = journal.with_suffix(".name")
    try:
        make_default_folder(journal.parent)
        if not file.exists():
            with open(file, "x", encoding="ascii", opener=opener) as new:
                new.write(secrets.token_hex(6) + "\n")
        name = file.read_text(encoding="ascii").strip()
    except (OSError, UnicodeDecodeError) as error:
        raise SessionNameError(
            f"{file} cannot be read or written ({error}); make {journal.parent} writable for this "
            f"user (sudo install -d -o USER {journal.parent}), or set {key}"
        ) from error
    if not name:
        raise SessionNameError(f"{file} is empty; remove it, and a new name is chosen")
    return name
