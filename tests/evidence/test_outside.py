"""Bundles before other people's tools: the script of docs/evidence.md with coreutils and openssl
alone, BagIt's own library, Go's library for signed notes and logs, a time-stamp authority."""

from __future__ import annotations

import json
import os
import random
import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import bagit
import pytest
import rfc8785

from evidence.made import SIGNER, large_bundle, small_bundle
from platelink.evidence.bundle import CHECKPOINT, PROOF, TAGS, check_bundle
from platelink.evidence.folder import read_folder, write_folder
from platelink.evidence.keys import Signer
from platelink.evidence.note import Note, Signature, sign
from platelink.evidence.seal import manifest_of
from platelink.evidence.wrong import EvidenceError

pytestmark = pytest.mark.timeout(600)  # a compiler among other things
DOC = Path(__file__).parents[2] / "docs" / "evidence.md"
KEY = SIGNER.verifier


def script(name):
    found = re.search(rf"<!-- {name} script -->\n```sh\n(.*?)```\n", DOC.read_text("utf-8"), re.S)
    return found[1]


@pytest.fixture
def shell(tmp_path):
    file, key = tmp_path / "verify.sh", tmp_path / "key.pem"
    file.write_text(script("verify"), "utf-8")
    key.write_bytes(KEY.pem)

    def run(files, key=key, sh="sh"):
        folder = tmp_path / "bag"
        shutil.rmtree(folder, ignore_errors=True)
        write_folder(files, folder)
        done = subprocess.run([sh, file, folder, key], capture_output=True, text=True, check=False)
        return done.returncode == 0 and "this is what was sealed" in done.stdout

    return run


def test_the_script_of_the_document_is_short_and_verifies(shell):
    assert len(script("verify").splitlines()) <= 25
    assert shell(small_bundle())
    assert shell(large_bundle())


def test_the_script_finds_changed_bits_another_key_and_another_proof(shell, tmp_path):
    files = small_bundle()
    rng = random.Random(5)
    for path in sorted(files):
        if path == "tagmanifest-sha256.txt":  # it is signed by nobody, and names what is not sealed
            continue
        bent = bytearray(files[path])
        bit = rng.randrange(8 * len(bent))
        bent[bit // 8] ^= 1 << bit % 8
        assert not shell({**files, path: bytes(bent)}), (path, bit)
    other = tmp_path / "other.pem"
    other.write_bytes(type(SIGNER).of_seed("x", bytes(32)).verifier.pem)
    assert not shell(files, other)


@pytest.mark.parametrize("sh", ["sh", "bash"])
@pytest.mark.parametrize(
    ("was", "now"),
    [
        ("index 3\n", "index PATH[$(touch {})0]\n"), ("\n7\n", "\nPATH[$(touch {})0]\n"),
        ("index 3\n", "index 03\n"), ("\n7\n", "\n07\n"), ("index 3\n", "index \n"),
    ],
)  # fmt: skip
def test_the_script_runs_nothing_that_a_bundle_has_in_the_place_of_a_number(
    shell, tmp_path, sh, was, now
):
    """Where sh is bash, its arithmetic runs what stands in brackets."""
    if shutil.which(sh) is None:
        pytest.skip(f"no {sh} is here")
    made, files = tmp_path / "made", dict(small_bundle())
    assert shell(files, sh=sh)
    for path in (PROOF, CHECKPOINT):
        files[path] = files[path].replace(was.encode(), now.format(made).encode())
    assert files[PROOF] != small_bundle()[PROOF]
    tags = {path: data for path, data in files.items() if not path.startswith("data/")}
    files[TAGS] = manifest_of({path: data for path, data in tags.items() if path != TAGS})
    assert not shell(files, sh=sh) and not made.exists()


def test_the_script_takes_no_malformed_manifest_for_a_good_one(shell):
    """sha256sum without --strict would: it skips what it cannot read."""
    files = small_bundle()
    manifest = files["manifest-sha256.txt"]
    assert not shell({**files, "manifest-sha256.txt": manifest.replace(b"  data", b" data")})


def test_it_is_a_bag_to_the_library_of_bagit(tmp_path):
    write_folder(large_bundle(), tmp_path / "bag")
    bag = bagit.Bag(str(tmp_path / "bag"))
    bag.validate()
    assert bag.payload_entries().keys() >= {"data/record.json", "data/samples/01-film.csv"}
    (tmp_path / "bag" / "data" / "record.json").write_bytes(b"{}")
    with pytest.raises(bagit.BagValidationError):
        bagit.Bag(str(tmp_path / "bag")).validate()


def test_record_and_seal_are_canonical_to_another_library():
    for files in (small_bundle(), large_bundle()):
        for path in ("data/record.json", "seal.json"):
            assert rfc8785.dumps(json.loads(files[path])) == files[path]


def test_a_folder_comes_back_and_only_plain_files_do(tmp_path):
    write_folder(small_bundle(), tmp_path / "bag")
    assert check_bundle(read_folder(tmp_path / "bag"), KEY).problems == ()
    with pytest.raises(EvidenceError, match="is there already"):
        write_folder(small_bundle(), tmp_path / "bag")
    (tmp_path / "bag" / "link").symlink_to("/etc/hostname")
    with pytest.raises(EvidenceError, match="no plain file"):
        read_folder(tmp_path / "bag")
    with pytest.raises(EvidenceError, match="no bundle"):
        read_folder(tmp_path / "nowhere")


GO_MODULE = Path("/usr/share/gocode/src/golang.org/x/mod/sumdb")
GO_PROGRAM = """package main

import (
	"fmt"
	"os"
	"strconv"
	"strings"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"
)

func must(err error) {
	if err != nil {
		fmt.Println(err)
		os.Exit(1)
	}
}

func read(name string) string {
	data, err := os.ReadFile(os.Args[1] + "/" + name)
	must(err)
	return string(data)
}

func main() {
	verifier, err := note.NewVerifier(os.Args[2])
	must(err)
	opened, err := note.Open([]byte(read("checkpoint")), note.VerifierList(verifier))
	must(err)
	lines := strings.Split(opened.Text, "\\n")
	size, err := strconv.ParseInt(lines[1], 10, 64)
	must(err)
	root, err := tlog.ParseHash(lines[2])
	must(err)
	parts := strings.SplitN(read("seal.tlog-proof"), "\\n\\n", 2)
	above := strings.Split(parts[0], "\\n")
	index, err := strconv.ParseInt(strings.TrimPrefix(above[1], "index "), 10, 64)
	must(err)
	var proof tlog.RecordProof
	for _, line := range above[2:] {
		hash, err := tlog.ParseHash(line)
		must(err)
		proof = append(proof, hash)
	}
	seal := read("seal.json")
	must(tlog.CheckRecord(proof, size, root, index, tlog.RecordHash([]byte(seal))))
	fmt.Println("holds")
}
"""
GO_COSIGNER = r"""package main

import (
	"crypto/ed25519"
	"encoding/base64"
	"encoding/binary"
	"fmt"
	"os"
	"strconv"
	"strings"

	"golang.org/x/mod/sumdb/note"
)

// cosigner is a note.Verifier of c2sp.org/tlog-cosignature.
type cosigner struct {
	name string
	hash uint32
	key  ed25519.PublicKey
}

func (c cosigner) Name() string    { return c.name }
func (c cosigner) KeyHash() uint32 { return c.hash }
func (c cosigner) Verify(msg, sig []byte) bool {
	if len(sig) != 72 {
		return false
	}
	text := fmt.Sprintf("cosignature/v1\ntime %d\n%s", binary.BigEndian.Uint64(sig), msg)
	return ed25519.Verify(c.key, []byte(text), sig[8:])
}

func main() {
	data, err := os.ReadFile(os.Args[1] + "/checkpoint")
	if err != nil {
		panic(err)
	}
	log, err := note.NewVerifier(os.Args[2])
	if err != nil {
		panic(err)
	}
	parts := strings.SplitN(os.Args[3], "+", 3)
	hash, _ := strconv.ParseUint(parts[1], 16, 32)
	key, _ := base64.StdEncoding.DecodeString(parts[2])
	witness := cosigner{parts[0], uint32(hash), ed25519.PublicKey(key[1:])}
	opened, err := note.Open(data, note.VerifierList(log, witness))
	if err != nil {
		fmt.Println(err)
		os.Exit(1)
	}
	fmt.Println(len(opened.Sigs), "of", len(opened.Sigs)+len(opened.UnverifiedSigs))
}
"""


needs_go = pytest.mark.skipif(
    not (shutil.which("go") and GO_MODULE.is_dir()),
    reason="needs Debian's golang-go and golang-golang-x-mod-dev",
)


def go_built(program, tmp_path):
    (tmp_path / "main.go").write_text(program, "utf-8")
    env = {**os.environ, "GO111MODULE": "off", "GOPATH": "/usr/share/gocode",
           "GOCACHE": str(tmp_path / "cache"), "GOFLAGS": ""}  # fmt: skip
    built = tmp_path / "verify"
    subprocess.run(["go", "build", "-o", built, tmp_path / "main.go"], check=True, env=env)
    return built


@needs_go
def test_a_cosigned_checkpoint_before_gos_library_and_its_ed25519(tmp_path):
    """Go's library has no verifier of cosignatures: it parts the note, finds the lines of the keys,
    and refuses a note where one does not hold; the message of a cosignature is put together above
    from the specification, and checked by Go's own Ed25519."""
    built = go_built(GO_COSIGNER, tmp_path)
    log, one, other = (
        Signer.of_seed(f"platelink/s/u{n}/0a1b2c3d", bytes([n] * 32)) for n in (1, 2, 3)
    )
    made = sign(f"{log.name}\n1\n{'A' * 43}=\n", log)
    lines = [
        Signature(s.name, s.verifier.cosigner.id, s.cosign(made.text.encode(), 1_924_992_000))
        for s in (one, other)
    ]
    note = Note(made.text, (*made.signatures, *lines))

    def says(note):
        (tmp_path / "checkpoint").write_bytes(note.data)
        command = [built, tmp_path, log.verifier.text, one.verifier.cosigner.text]
        return subprocess.run(command, capture_output=True, text=True, check=False).stdout.strip()

    assert says(note) == "2 of 3"
    later = (1_924_992_001).to_bytes(8, "big") + lines[0].signature[8:]
    bent = replace(note, signatures=(*made.signatures, replace(lines[0], signature=later)))
    assert "invalid signature" in says(bent)


@needs_go
def test_the_library_of_the_go_checksum_database_accepts_checkpoint_and_proof(tmp_path):
    built = go_built(GO_PROGRAM, tmp_path)
    write_folder(small_bundle(), tmp_path / "bag")

    def accepts():
        command = [built, tmp_path / "bag", KEY.text]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        return done.stdout.strip() == "holds"

    assert accepts()
    (tmp_path / "bag" / "seal.json").write_bytes(b"{}")
    assert not accepts()


def test_a_checkpoint_is_time_stamped_by_openssl(tmp_path):
    """With an authority made here: the document's own lines, but for the way to it."""
    if shutil.which("openssl") is None:
        pytest.skip("needs openssl")
    made = small_bundle()
    write_folder(made, tmp_path / "bag")
    (tmp_path / "tsa.cnf").write_text(
        "[tsa]\ndefault_tsa = one\n[one]\nserial = serial\nsigner_digest = sha256\n"
        "default_policy = 1.2.3.4.1\ndigests = sha256\naccuracy = secs:1\n"
        "[ext]\nextendedKeyUsage = critical,timeStamping\n[req]\ndistinguished_name = dn\n[dn]\n",
        "utf-8",
    )
    (tmp_path / "serial").write_text("01\n")
    query, verify = (line for line in script("stamp").splitlines() if line.startswith("openssl"))

    def run(line):
        subprocess.run(["sh", "-euc", line], cwd=tmp_path, check=True, capture_output=True)

    run("openssl req -x509 -newkey rsa:2048 -nodes -keyout tsa.key -out tsa.pem -days 2 "
        "-subj /CN=invented-tsa -extensions ext -config tsa.cnf")  # fmt: skip
    shutil.copy(tmp_path / "bag" / "checkpoint", tmp_path / "checkpoint")
    run(query)
    run("openssl ts -reply -config tsa.cnf -section one -queryfile checkpoint.tsq -signer tsa.pem "
        "-inkey tsa.key -out checkpoint.tsr")  # fmt: skip
    run(verify)
    (tmp_path / "checkpoint").write_bytes(made["checkpoint"].replace(b"7", b"8", 1))
    with pytest.raises(subprocess.CalledProcessError):
        run(verify)
