"""deploy/compose.yml, built and run by Debian's podman, with the documented lines."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from container import wheelhouse
from publish import publish_samples as ps
from publish.releases import repository
from shop_processes import wait
from system_services.test_nothing_lost import expected_points, read_back

from platelink.publish.broker import Acknowledged, BrokerSettings, Connected
from platelink.publish.links import link_to
from platelink.publish.services import free_port
from platelink.publish.topics import Topics

NEEDS = ("podman", "podman-compose", "mmdebstrap", "runc", "openssl", "git")
pytestmark = [
    pytest.mark.system,
    pytest.mark.alone,
    pytest.mark.long,
    pytest.mark.timeout(1800),
    pytest.mark.skipif(
        bool(os.geteuid()) or any(shutil.which(program) is None for program in NEEDS),
        reason=f"needs root, and {', '.join(NEEDS)} of Debian, with "
        "golang-github-containernetworking-plugin-dnsname",
    ),
]
USER = f"{ps.SITE}/{ps.UNIT}"
INSTALLATION = (Path(__file__).parents[2] / "docs/installation.md").read_text("utf-8")
STORAGE = '[storage]\ndriver = "overlay"\ngraphroot = "{0}/graph"\nrunroot = "{0}/run"\n'
SETTINGS = """[engine]
runtime = "runc"
[containers]
default_ulimits = ["nofile=1024:1024", "nproc=1024:1024"]
[network]
network_config_dir = "{0}/networks"
"""


class Server:
    """The lines of docs/installation.md, with podman for docker and free ports."""

    def __init__(self, folder: Path) -> None:
        self.deploy = repository(folder / "tree") / "deploy"
        self.broker_port, self.store_port = free_port(), free_port()
        compose = self.deploy / "compose.yml"
        text = compose.read_text("utf-8")
        for old, new in (
            ('"8883:8883"', f'"127.0.0.1:{self.broker_port}:8883"'),
            ("127.0.0.1:8428:8428", f"127.0.0.1:{self.store_port}:8428"),
        ):
            assert text.count(old) == 1
            text = text.replace(old, new)
        compose.write_text(text, "utf-8")
        for name, content in (("storage.conf", STORAGE), ("containers.conf", SETTINGS)):
            (folder / name).write_text(content.format(folder), "utf-8")
        self._environment = {
            **os.environ, "CONTAINERS_STORAGE_CONF": str(folder / "storage.conf"),
            "CONTAINERS_CONF": str(folder / "containers.conf"), "UNIT_1_PASSWORD": "of the unit",
        }  # fmt: skip
        wheelhouse(folder / "wheels")
        made = self.sh(f"mmdebstrap -q --variant=minbase bookworm '{folder}/root.tar'", check=False)
        if made.returncode:
            pytest.skip(f"mmdebstrap makes no Debian here: {made.stderr[-300:]}")
        self.sh(f"podman import -q '{folder}/root.tar' debian:bookworm-slim")
        self._build = (
            "podman-compose --podman-build-args '--network host "
            f"-v {folder}/wheels:/wheels:ro --env PIP_NO_INDEX=1 --env PIP_FIND_LINKS=/wheels' "
            "build"
        )

    def sh(self, lines: str, check: bool = True) -> subprocess.CompletedProcess[str]:
        done = subprocess.run(
            ["sh", "-ec", lines], cwd=self.deploy, env=self._environment, capture_output=True,
            text=True, check=False,
        )  # fmt: skip
        assert not check or done.returncode == 0, done.stdout[-2000:] + done.stderr[-2000:]
        return done

    def documented(self, name: str) -> None:
        found = re.search(rf"<!-- {name} -->\n```sh\n(.*?)```\n", INSTALLATION, re.DOTALL)
        assert found, name
        lines = found[1].replace("IP:192.0.2.10", "IP:127.0.0.1")
        lines = lines.replace("shop/unit-1", USER)
        lines = lines.replace("docker compose build", self._build)
        self.sh(lines.replace("docker compose", "podman-compose").replace("docker ", "podman "))

    def healthy(self, service: str) -> bool:
        return not self.sh(f"podman healthcheck run deploy_{service}_1", check=False).returncode

    def all_healthy(self) -> None:
        for service in ("broker", "store", "recorder"):
            wait(lambda s=service: self.healthy(s), 90, f"{service} in its container")


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    folder = tmp_path_factory.mktemp("containers")
    made = Server(folder)
    try:
        yield made
    finally:
        made.sh("podman-compose down; podman system reset -f", check=False)
        shutil.rmtree(folder, ignore_errors=True)


def test_entries_come_into_the_store_and_stay_when_all_containers_are_made_anew(
    server: Server,
) -> None:
    server.documented("container secrets")
    server.documented("containers")
    server.all_healthy()
    settings = BrokerSettings(
        "127.0.0.1", server.broker_port, USER, "of the unit", tls=True,
        ca_file=str(server.deploy / "secrets/ca.crt"),
    )  # fmt: skip
    entries = ps.whole_run(30, 20)
    link = link_to(settings, client_id="unit", receive_maximum=20)
    link.connect()
    events: list[object] = []

    def heard(kind: type, count: int) -> bool:
        events.extend(link.poll(0.2))
        return sum(isinstance(event, kind) for event in events) >= count

    wait(lambda: heard(Connected, 1), 30, "broker")
    topics = Topics(ps.SITE, ps.UNIT)
    for entry in entries:
        link.publish(topics.of(entry), entry.model_dump_json().encode())
    wait(lambda: heard(Acknowledged, len(entries)), 30, "acknowledged")
    link.close()
    url, expected = f"http://127.0.0.1:{server.store_port}", expected_points(entries)
    wait(lambda: len(read_back(url)[0]) >= len(expected), 60, "points in the store")
    assert read_back(url)[0] == pytest.approx(expected, rel=2e-12, abs=0)
    server.sh("podman-compose down")
    server.sh("podman-compose up -d --no-build")
    server.all_healthy()
    assert read_back(url)[0] == pytest.approx(expected, rel=2e-12, abs=0)


def test_nobody_comes_in_without_a_password_and_no_secret_is_in_an_image(server: Server) -> None:
    config = server.sh("podman inspect deploy_recorder_1 deploy_broker_1").stdout
    secret = (server.deploy / "secrets/recorder").read_text().strip()
    assert secret not in config
    for name in ("broker", "recorder"):
        found = server.sh(
            f"podman run --rm --user root localhost/platelink-{name}:0.1.0 "
            "find / -xdev -type f '(' -name '*.key' -o -name platelink.passwd ')' -size +0"
        )
        assert not found.stdout.strip()
    wrong = BrokerSettings(
        "127.0.0.1", server.broker_port, "recorder", "wrong", tls=True,
        ca_file=str(server.deploy / "secrets/ca.crt"),
    )  # fmt: skip
    link = link_to(wrong, client_id="wrong", receive_maximum=20)
    link.connect()
    heard = [event for _ in range(10) for event in link.poll(0.2)]
    assert heard and not any(isinstance(event, Connected) for event in heard)
    link.close()
