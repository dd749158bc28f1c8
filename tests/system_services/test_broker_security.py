"""TLS and passwords against the real broker: right ones work, wrong ones are told."""

from __future__ import annotations

import gc
import shutil
import subprocess
import time

import pytest

from platelink.publish import services
from platelink.publish.mqtt import (
    BrokerError,
    BrokerLink,
    BrokerSettings,
    Connected,
    ConnectionLost,
    LinkEvent,
)
from platelink.publish.services import BrokerService

OPENSSL, PASSWD = shutil.which("openssl"), shutil.which("mosquitto_passwd")
pytestmark = [
    pytest.mark.system,
    pytest.mark.skipif(
        BrokerService.find() is None or OPENSSL is None or PASSWD is None,
        reason="needs: apt-get install mosquitto openssl",
    ),
]


@pytest.fixture(scope="module")
def broker(tmp_path_factory):
    """A broker with TLS for 127.0.0.1 and one user, on the shipped configuration otherwise."""
    folder = tmp_path_factory.mktemp("secure")
    subprocess.run(
        [OPENSSL, "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2",
         "-subj", "/CN=invented-shop", "-addext", "subjectAltName=IP:127.0.0.1",
         "-keyout", folder / "broker.key", "-out", folder / "broker.crt"],
        check=True, capture_output=True,
    )  # fmt: skip
    subprocess.run([PASSWD, "-b", "-c", folder / "passwd", "shop", "right-one"], check=True)
    plain = services.broker_configuration

    def secured(port, directory):
        text = plain(port, directory).replace("allow_anonymous true", "allow_anonymous false")
        return (
            f"{text}password_file {folder}/passwd\ncertfile {folder}/broker.crt\n"
            f"keyfile {folder}/broker.key\ncafile {folder}/broker.crt\n"
        )

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(services, "broker_configuration", secured)
        service = BrokerService(folder)
        service.start()
    service.ca_file = str(folder / "broker.crt")
    yield service
    service.stop()


def first_answer(settings: BrokerSettings) -> LinkEvent:
    link = BrokerLink(settings, client_id="secure")
    link.connect()
    try:
        deadline = time.monotonic() + 5
        while time.monotonic() < deadline:
            for event in link.poll(0.1):
                return event
    finally:
        link.close()
    raise AssertionError("no answer")


def test_right_name_over_tls_is_let_in(broker):
    settings = BrokerSettings(
        "127.0.0.1", broker.port, "shop", "right-one", tls=True, ca_file=broker.ca_file
    )
    assert isinstance(first_answer(settings), Connected)


def test_wrong_password_is_told(broker):
    settings = BrokerSettings(
        "127.0.0.1", broker.port, "shop", "wrong-one", tls=True, ca_file=broker.ca_file
    )
    answer = first_answer(settings)
    assert isinstance(answer, ConnectionLost)
    assert "refused the connection" in answer.reason
    assert "check name and password" in answer.reason and "wrong-one" not in answer.reason


# paho leaves the socket of a failed handshake to the garbage collector.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_unknown_certificate_is_refused_by_us(broker):
    settings = BrokerSettings("127.0.0.1", broker.port, "shop", "right-one", tls=True)
    with pytest.raises(BrokerError, match=r"refused TLS.*check ca_file"):
        first_answer(settings)
    gc.collect()
