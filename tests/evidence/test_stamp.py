"""Time stamps by an authority of our own, made with openssl, behind a small server."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import threading
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, HTTPServer
from typing import ClassVar

import pytest

from evidence.made import SIGNER, journal_of_two, small_bundle, write_plates
from evidence.test_commands import Unit
from platelink.evidence.bundle import CHECKPOINT, STAMP, TAGS, check_bundle
from platelink.evidence.seal import manifest_of
from platelink.evidence.stamp import TYPE_ANSWERED, TYPE_ASKED, answer_to, asked_for, stamped_at
from platelink.evidence.wrong import EvidenceError

pytestmark = [
    pytest.mark.timeout(600),
    pytest.mark.skipif(shutil.which("openssl") is None, reason="needs openssl"),
]
CONFIG = """
[tsa]
default_tsa = one
[one]
serial = serial
signer_digest = sha256
default_policy = 1.2.3.4.1
digests = sha256
accuracy = secs:1
ess_cert_id_alg = sha256
[stamping]
extendedKeyUsage = critical,timeStamping
[authority]
basicConstraints = critical,CA:TRUE
[req]
distinguished_name = dn
[dn]
"""


class Authority:
    """What it certifies and stamps; all of it invented."""

    def __init__(self, folder):
        folder.mkdir()
        self.folder = folder
        (folder / "tsa.cnf").write_text(CONFIG, "utf-8")
        (folder / "serial").write_text("01\n")
        new = "-newkey rsa:2048 -nodes -config tsa.cnf -keyout"
        self.run(
            f"req -x509 {new} ca.key -out ca.pem -days 2 -subj /CN=invented -extensions authority"
        )
        self.run(f"req {new} tsa.key -out tsa.csr -subj /CN=invented-tsa")
        self.run("x509 -req -in tsa.csr -CA ca.pem -CAkey ca.key -CAcreateserial -days 2 -out "
                 "tsa.pem -extfile tsa.cnf -extensions stamping")  # fmt: skip
        self.roots = (folder / "ca.pem").read_bytes()

    def run(self, line):
        subprocess.run(["openssl", *line.split()], cwd=self.folder, check=True, capture_output=True)

    def stamp(self, query):
        (self.folder / "q.tsq").write_bytes(query)
        self.run("ts -reply -config tsa.cnf -section one -queryfile q.tsq -signer tsa.pem -inkey "
                 "tsa.key -out r.tsr")  # fmt: skip
        return (self.folder / "r.tsr").read_bytes()


@pytest.fixture(scope="module")
def tsa(tmp_path_factory):
    return Authority(tmp_path_factory.mktemp("tsa") / "one")


@pytest.fixture(scope="module")
def other(tmp_path_factory):
    return Authority(tmp_path_factory.mktemp("tsa") / "other")


def near_now(at):
    return abs((at - datetime.now(UTC)).total_seconds()) < 120


def test_a_stamp_holds_for_its_bytes_and_under_its_authority_alone(tsa, other):
    query, request = asked_for(b"checkpoint\n")
    answer = tsa.stamp(query)
    assert near_now(stamped_at(answer, b"checkpoint\n", tsa.roots))
    assert answer_to(request, answer) == stamped_at(answer, b"checkpoint\n", tsa.roots)
    with pytest.raises(EvidenceError, match="of another checkpoint"):
        stamped_at(answer, b"checkpoint \n", tsa.roots)
    with pytest.raises(EvidenceError, match="does not hold under this authority"):
        stamped_at(answer, b"checkpoint\n", other.roots)
    assert stamped_at(answer, b"checkpoint\n", other.roots + tsa.roots)
    with pytest.raises(EvidenceError, match="no PEM"):
        stamped_at(answer, b"checkpoint\n", b"")
    with pytest.raises(EvidenceError, match="another request"):
        answer_to(asked_for(b"checkpoint\n")[1], answer)  # of another nonce
    for bad in (b"", b"x" * 50, answer[:-1], b"x" * 200_000):
        with pytest.raises(EvidenceError):
            stamped_at(bad, b"checkpoint\n", tsa.roots)


def test_a_refusal_of_the_authority_is_said(tsa):
    with pytest.raises(EvidenceError, match="refused"):
        answer_to(asked_for(b"x")[1], tsa.stamp(b"this is no request"))


def stamped(tsa, data=None):
    """The small bundle with a stamp of its checkpoint, or of other bytes."""
    files = dict(small_bundle())
    files[STAMP] = tsa.stamp(asked_for(data or files[CHECKPOINT])[0])
    tags = {p: d for p, d in files.items() if not p.startswith("data/") and p != TAGS}
    return {**files, TAGS: manifest_of(tags)}


def test_the_stamp_of_a_bundle_is_checked_and_its_time_said(tsa, other):
    files = stamped(tsa)
    found = check_bundle(files, SIGNER.verifier, tsa=tsa.roots)
    assert found.problems == found.notices == () and near_now(found.stamped_at)
    (notice,) = check_bundle(files, SIGNER.verifier).notices
    assert "was not looked at: give the authority's certificate" in notice
    (text,) = check_bundle(files, SIGNER.verifier, tsa=other.roots).problems
    assert text.startswith("checkpoint.tsr: the time stamp does not hold")
    wrong = check_bundle(stamped(tsa, b"other"), SIGNER.verifier, tsa=tsa.roots)
    assert wrong.problems == ("checkpoint.tsr: the time stamp is of another checkpoint",)
    (notice,) = check_bundle(small_bundle(), SIGNER.verifier, tsa=tsa.roots).notices
    assert notice == "no checkpoint.tsr is there"


@pytest.fixture
def served(tsa, other):
    """The authority behind HTTP; ``by`` may be another one, or none."""

    class Handler(BaseHTTPRequestHandler):
        by: ClassVar = tsa
        asked: ClassVar = []

        def do_POST(self):
            query = self.rfile.read(int(self.headers["content-length"]))
            type(self).asked.append(self.headers["content-type"])
            if self.by is None:
                self.send_error(503)
                return
            answer = self.by.stamp(query)
            self.send_response(200)
            self.send_header("content-type", TYPE_ANSWERED)
            self.end_headers()
            self.wfile.write(answer)

        def log_message(self, *_):
            pass

    server = HTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield Handler, f"http://127.0.0.1:{server.server_port}/tsr"
    server.shutdown()
    thread.join()
    server.server_close()


def test_a_bundle_is_stamped_by_the_configured_authority_or_written_without(
    tmp_path, tsa, other, served
):
    journal_of_two(tmp_path / "journal.sqlite")
    unit = Unit(tmp_path)
    unit.seal()
    handler, url = served
    text = unit.config.read_text()
    unit.says("bundle", "plate-1", "--to", tmp_path / "none")
    assert handler.asked == [] and not (tmp_path / "none" / STAMP).exists()  # nobody is asked
    unit.config.write_text(
        f'{text}\n[stamping]\nurl = "{url}"\ncertificate_file = "{tsa.folder / "ca.pem"}"\n'
    )
    unit.says("bundle", "plate-1", "--to", tmp_path / "bag")
    assert handler.asked == [TYPE_ASKED]
    assert "  time-stamped at 20" in unit.says("verify", "--bundle", tmp_path / "bag")
    told = json.loads(unit.says("verify", "--bundle", tmp_path / "bag", "--json"))
    assert near_now(datetime.fromisoformat(told["stamped_utc"]))
    line = "ts -verify -data {0}/checkpoint -in {0}/checkpoint.tsr -CAfile ca.pem"
    tsa.run(line.format(tmp_path / "bag"))  # as in docs/evidence.md
    for number, (by, said) in enumerate(
        ((other, "does not hold under this authority"), (None, "503"))
    ):
        handler.by = by
        bag = tmp_path / f"bag{number}"
        done = unit.says("bundle", "plate-1", "--to", bag)
        assert f"not time-stamped, {url}: " in done and said in done
        assert not (bag / STAMP).exists()
        assert "is what was sealed" in unit.says("verify", "--bundle", bag)
    given = ("verify", "--bundle", tmp_path / "bag", "--tsa", other.folder / "ca.pem")
    assert "CHANGED  checkpoint.tsr: the time stamp does not hold" in unit.says(*given, code=1)


def test_an_authority_that_is_silent_is_asked_once_for_all_the_bundles_of_a_call(
    tmp_path, tsa, served
):
    names = [f"plate-{number}" for number in range(1, 5)]
    write_plates(tmp_path / "journal.sqlite", *names)
    unit = Unit(tmp_path)
    unit.seal()
    handler, url = served
    text = unit.config.read_text()
    unit.config.write_text(f'{text}\n[stamping]\nurl = "{url}"\n')
    handler.asked, handler.by = [], None
    said = unit.says("bundle", *names, "--to", tmp_path / "bags")
    assert len(handler.asked) == 1
    assert said.count("not time-stamped") == 1 and said.count("no time stamp") == 1
    assert f"4 bundles have no time stamp; {url} was not asked again" in said
    assert "4 written, 0 there before" in said
    # As it says: the same into another folder. Of one checkpoint one stamp is enough.
    handler.asked, handler.by = [], tsa
    told = unit.says("bundle", *names, "--to", tmp_path / "again", "--json")
    assert len(handler.asked) == 1 and json.loads(told)["unstamped"] == 0
    for name in names:
        given = ("verify", "--bundle", tmp_path / "again" / name, "--tsa", tsa.folder / "ca.pem")
        assert "time-stamped at 20" in unit.says(*given)
        assert not (tmp_path / "bags" / name / STAMP).exists()
    handler.asked, handler.by = [], None
    said = unit.says("bundle", "plate-1", "--to", tmp_path / "one")
    assert "1 bundle has no time stamp" in said and len(handler.asked) == 1
    unit.config.write_text(text)
    said = unit.says("bundle", *names, "--to", tmp_path / "nobody")
    assert "time stamp" not in said and len(handler.asked) == 1


def test_without_the_extra_it_is_said_what_to_install(monkeypatch):
    monkeypatch.setitem(sys.modules, "rfc3161_client", None)
    with pytest.raises(EvidenceError, match=r"pip install .* '\.\[stamps\]'"):
        asked_for(b"x")
