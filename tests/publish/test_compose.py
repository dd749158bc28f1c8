"""The shop's server in containers, against the other files of deploy/.

`tests/system/test_containers.py` runs it."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
import yaml

from platelink.config.load import load_recorder
from platelink.publish.services import broker_configuration

ROOT = Path(__file__).parents[2]
DEPLOY = ROOT / "deploy"
COMPOSE = yaml.safe_load((DEPLOY / "compose.yml").read_text("utf-8"))
SERVICES = COMPOSE["services"]
CONTAINERFILE = (DEPLOY / "Containerfile").read_text("utf-8").replace("\\\n", " ")
STAGES = dict(
    re.findall(
        r"^FROM debian:bookworm-slim AS (\w+)\n(.*?)(?=^FROM|\Z)", CONTAINERFILE, re.M | re.S
    )
)
INSTALLATION = (ROOT / "docs/installation.md").read_text("utf-8")


def settings(text: str) -> dict[str, str]:
    """Keys of a configuration of the broker, the last of each."""
    lines = (line.split(" ", 1) for line in text.splitlines() if line and line[0] != "#")
    return {key: rest[0] if rest else "" for key, *rest in lines}


def targets(service: str) -> dict[str, str]:
    """Where each secret stands in it, and the file on the host."""
    return {
        one["target"]: COMPOSE["secrets"][one["source"]]["file"]
        for one in SERVICES[service].get("secrets", [])
    }


def mounts(service: str) -> dict[str, str]:
    return dict(reversed(one.split(":")[:2]) for one in SERVICES[service].get("volumes", []))


def test_every_image_is_built_here_of_this_version_and_none_is_fetched() -> None:
    version = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]["version"]
    assert set(SERVICES) == set(STAGES) == {"broker", "store", "recorder"}
    assert CONTAINERFILE.count("FROM ") == len(STAGES)
    for name, service in SERVICES.items():
        assert service["image"] == f"localhost/platelink-{name}:{version}"
        build = service["build"]
        assert (build["target"], (DEPLOY / build["context"]).resolve()) == (name, ROOT)
        assert (ROOT / build["dockerfile"]).samefile(DEPLOY / "Containerfile")
    named = set(re.findall(r"localhost/\S+", INSTALLATION))
    assert named == {SERVICES["broker"]["image"]}


def test_what_is_copied_is_there_and_not_left_out() -> None:
    kept = {line[1:] for line in (ROOT / ".dockerignore").read_text().split() if line[0] == "!"}
    for sources in re.findall(r"^COPY (.+) \S+$", CONTAINERFILE, re.M):
        for source in sources.split():
            assert (ROOT / source).exists(), source
            assert source.partition("/")[0] in kept, source
    for target in ("README.md", "LICENSE"):  # the build of the wheel reads them
        assert target in STAGES["recorder"]


def test_the_broker_finds_its_files_where_its_configuration_says(tmp_path: Path) -> None:
    (edited,) = re.findall(r"sed -i '(s/\^#\S+)' /etc/mosquitto/mosquitto.conf", CONTAINERFILE)
    assert edited == r"s/^#\([a-z]\)/\1/"
    text = re.sub(r"^#([a-z])", r"\1", (DEPLOY / "mosquitto.conf").read_text("utf-8"), flags=re.M)
    # The same lines as the ones the installer and the tests of the broker switch on.
    ours = broker_configuration(1, tmp_path, tls_port=2)
    assert [line.split(" ")[0] for line in text.splitlines()] == [
        line.split(" ")[0] for line in ours.splitlines()[:-1]
    ]
    found = settings(text)
    assert set(targets("broker")) == {
        found[key] for key in ("password_file", "cafile", "certfile", "keyfile")
    }
    assert f" {found['acl_file']}\n" in STAGES["broker"]
    assert mounts("broker") == {found["persistence_location"].rstrip("/"): "broker"}
    assert SERVICES["broker"]["ports"] == [f"{found['listener']}:8883"] == ["8883:8883"]
    assert "/127.0.0.1/8883'" in SERVICES["broker"]["healthcheck"]["test"][1]


def test_the_store_runs_with_the_shipped_flags_and_is_reached_from_this_host_alone() -> None:
    flags = dict(
        line.split("=")
        for line in (DEPLOY / "victoria-metrics.args").read_text().splitlines()
        if line.startswith("-")
    )
    assert mounts("store") == {flags["-storageDataPath"]: "store"}
    port = flags["-httpListenAddr"].rpartition(":")[2]
    assert SERVICES["store"]["ports"] == [f"127.0.0.1:{port}:{port}"]
    assert f"s/^-httpListenAddr=.*/-httpListenAddr=:{port}/" in STAGES["store"]
    assert f"/127.0.0.1/{port};" in SERVICES["store"]["healthcheck"]["test"][1]


def test_the_recorder_s_configuration_fits_the_others() -> None:
    config = load_recorder(DEPLOY / "compose.toml")
    assert config.broker is not None and config.store is not None
    assert config.broker.host in SERVICES and config.broker.port == 8883 and config.broker.tls
    assert {str(config.broker.ca_file), str(config.broker.password_file)} == set(
        targets("recorder")
    )
    assert config.store.url == "http://store:8428" and "store" in SERVICES
    mounted = mounts("recorder")
    assert mounted[str(config.recorder.path.parent)] == "recorder"
    assert mounted["/etc/platelink/recorder.toml"] == "./compose.toml"
    assert f" {config.recorder.path.parent}\n" in STAGES["recorder"]
    assert str(config.recorder.watch) in SERVICES["recorder"]["healthcheck"]["test"][1]
    assert set(SERVICES["recorder"]["depends_on"]) == {"broker", "store"}
    # The names in the broker's list, and in the password file that the document makes.
    acl = (DEPLOY / "mosquitto.acl").read_text("utf-8")
    assert f"user {config.broker.username}\n" in acl
    assert f"platelink.passwd {config.broker.username} " in INSTALLATION


def test_every_secret_is_a_file_that_the_document_makes_for_the_user_that_reads_it() -> None:
    lines = INSTALLATION.split("<!-- container secrets -->")[1].split("```")[1]
    files = {secret["file"] for secret in COMPOSE["secrets"].values()}
    assert files == {file for name in SERVICES for file in targets(name).values()}
    for file in files:
        assert file.removeprefix("./") in lines, file
    users = set(re.findall(r"--uid (\d+)", CONTAINERFILE))
    assert users == set(re.findall(r"chown -R (\d+) secrets", lines)) and len(users) == 1
    kept = {"deploy/secrets", "deploy/authority"}
    assert {f"/{one}/" for one in kept} <= set((ROOT / ".gitignore").read_text().split())
    left_out = (ROOT / ".dockerignore").read_text().split()
    assert all(left_out.index(one) > left_out.index("!deploy") for one in kept)
    assert not [line for line in re.findall(r"^COPY .*", CONTAINERFILE, re.M) if "deploy " in line]


@pytest.mark.parametrize("name", SERVICES)
def test_a_container_is_bounded_and_comes_back(name: str) -> None:
    service = SERVICES[name]
    assert service["restart"] == "unless-stopped" and service["healthcheck"]["retries"]
    assert service["cap_drop"] == ["ALL"] and service["read_only"] is True
    assert service["security_opt"] == ["no-new-privileges:true"]
    assert service["mem_limit"] and service["pids_limit"] and "privileged" not in service
    assert re.search(r"^USER (?!root|0)\S+$", STAGES[name], re.M)
    assert all(named in COMPOSE["volumes"] or named[0] == "." for named in mounts(name).values())
