"""What a stranger receives of a unit's log of seals through a real broker."""

from __future__ import annotations

import base64
import shutil
import subprocess
import sys
import threading
from contextlib import ExitStack
from datetime import UTC, datetime
from pathlib import Path

import pytest
from evidence.test_cosign import Unit
from paho.mqtt.client import Client as MqttClient
from paho.mqtt.client import MQTTv5
from paho.mqtt.enums import CallbackAPIVersion
from system.shop_processes import SITE, UNIT, USER, shop, wait

from platelink.daemon.cosigning import Cosigning
from platelink.evidence.cosign import cosigned_by
from platelink.evidence.keys import Verifier
from platelink.evidence.note import read_checkpoint, read_note
from platelink.publish.publisher import Publisher
from platelink.publish.publishing import PublisherSettings
from platelink.publish.services import BrokerService
from platelink.publish.topics import Topics

pytestmark = [
    pytest.mark.system,
    pytest.mark.timeout(300),
    pytest.mark.skipif(
        BrokerService.find() is None or shutil.which("openssl") is None,
        reason="needs: apt-get install mosquitto openssl",
    ),
]
TOPIC = f"platelink/v1/{SITE}/{UNIT}/checkpoint"
OTHER = f"{SITE}/unit-2"


def retained(broker: BrokerService) -> bytes:
    """What somebody gets who comes now, and only looks."""
    found: list[bytes] = []
    came = threading.Event()
    client = MqttClient(CallbackAPIVersion.VERSION2, client_id="stranger", protocol=MQTTv5)
    client.username_pw_set("reader", broker.passwords["reader"])
    client.on_connect = lambda client, *_: client.subscribe(TOPIC, qos=1)

    def take(_client: object, _data: object, message: object) -> None:
        found.append(message.payload)
        came.set()

    client.on_message = take
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    came.wait(5.0)
    client.disconnect()
    client.loop_stop()
    return found[-1] if found else b""


class Nothing:
    """A journal without entries."""

    def outbox_after(self, number: int, limit: int) -> list[object]:
        return []

    def last_number(self) -> int:
        return 0

    def replaced(self) -> bool:
        return False

    def close(self) -> None:
        pass


def says(config: Path, *words: str) -> str:
    command = [sys.executable, "-m", "platelink", "--config", str(config), *words]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def by_openssl(folder: Path, note: bytes, pem: bytes) -> bool:
    """The lines of docs/evidence.md that look at the signature: the text above the empty line."""
    text, _, below = note.rpartition(b"\n\n")
    line = below.splitlines()[0].split(b" ")[2]
    for name, data in (("key.pem", pem), ("body", text + b"\n"),
                       ("sig", base64.b64decode(line)[4:])):  # fmt: skip
        (folder / name).write_bytes(data)
    command = ["openssl", "pkeyutl", "-verify", "-pubin", "-inkey", "key.pem", "-rawin", "-in",
               "body", "-sigfile", "sig"]  # fmt: skip
    return subprocess.run(command, cwd=folder, capture_output=True, check=False).returncode == 0


def test_it_verifies_by_us_and_by_openssl_and_is_cosigned_by_another_unit(tmp_path: Path) -> None:
    with ExitStack() as stack:
        broker = BrokerService(tmp_path / "broker", USER, OTHER)
        broker.start()
        stack.callback(broker.stop)
        two = Unit(tmp_path, "unit-2", 2)
        stack.callback(two.log.close)
        name = two.signer.name.replace("invented-shop", SITE)
        assert name == two.signer.name
        more = broker.section(USER).partition("[recorder]")[0]
        more += f'[cosigning]\nunits = ["{two.signer.verifier.text}"]\nneeded = 1\n'
        one = stack.enter_context(shop(tmp_path, more=more))
        one.start_daemon()
        run_id = one.expose(20.0, contact=False)
        one.until_ended()
        wait(lambda: read(broker) and read(broker)[0] >= 2, 60.0, "checkpoint of the exposure")

        note = retained(broker)
        key = Verifier.of_text(says(one.config, "seal", "key").strip())
        assert by_openssl(tmp_path, note, key.pem)
        assert not by_openssl(tmp_path, note.replace(SITE.encode(), b"another-shop1", 1), key.pem)
        (tmp_path / "head").write_bytes(note)
        given = ("verify", "--journal", "--head", str(tmp_path / "head"), "--key", key.text)
        assert "each is what was sealed" in says(one.config, *given)

        # Another unit, which knows this one's key, cosigns it through the broker.
        two.others = [key]
        cosigning = Cosigning(Topics(SITE, "unit-2"), two.others, lambda: datetime.now(UTC))
        publisher = Publisher(
            PublisherSettings(broker.settings(OTHER), SITE, "unit-2"), open_source=Nothing,
            cursor_path=tmp_path / "cursor", texts=cosigning.texts,
        )  # fmt: skip
        publisher.start()
        stack.callback(publisher.stop)

        def cosigned() -> bool:
            cosigning.round(two.log, two.signer)
            return bool(cosigned_by(read_note(retained(broker)), [two.signer.verifier]))

        wait(cosigned, 60.0, lambda: f"cosignature, with {cosigning.texts.notice!r}")
        assert by_openssl(tmp_path, retained(broker), key.pem)
        bag = tmp_path / "bag"
        says(one.config, "bundle", run_id, "--to", str(bag))
        told = says(one.config, "verify", "--bundle", str(bag), "--key", key.text)
        assert f"cosigned by {two.signer.name} at 20" in told
        one.daemon.end()


def read(broker: BrokerService) -> tuple[int, str] | None:
    data = retained(broker)
    head = read_checkpoint(read_note(data)) if data else None
    return (head.size, head.origin) if head is not None else None
