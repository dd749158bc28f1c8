"""Releases: made twice they are the same bytes; what is not what was signed is found."""

from __future__ import annotations

import csv
import hashlib
import os
import re
import shutil
import subprocess
import sys
import tarfile
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import pytest
from publish.releases import ROOT, documented, make_key, release, repository, sh

pytestmark = [
    pytest.mark.system,
    pytest.mark.skipif(
        any(shutil.which(program) is None for program in ("git", "openssl", "tar")),
        reason="needs: apt-get install git openssl",
    ),
]


@pytest.fixture(scope="module")
def checkout(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return repository(tmp_path_factory.mktemp("one") / "checkout")


@pytest.fixture(scope="module")
def key(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_key(tmp_path_factory.mktemp("key"))


@pytest.fixture(scope="module")
def made(checkout: Path, key: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("out") / "release"
    done = release(checkout, out, key, TZ="UTC", LC_ALL="C")
    assert done.returncode == 0, done.stderr
    return out


@pytest.fixture
def received(made: Path, key: Path, tmp_path: Path) -> Path:
    """As somebody who got it has it: the files, and the public key from elsewhere."""
    folder = shutil.copytree(made, tmp_path / "received")
    shutil.copy(key.with_suffix(".pub"), folder)
    return folder


def test_a_release_made_elsewhere_is_the_same_bytes(
    checkout: Path, made: Path, key: Path, tmp_path: Path
) -> None:
    other = tmp_path / "a place of another name"
    cloned = sh(f"umask 077; git clone -q '{checkout}' '{other}'", tmp_path)
    assert cloned.returncode == 0, cloned.stderr
    for number, path in enumerate(sorted((other / "platelink").rglob("*.py"))):
        os.utime(path, (number, 1_000_000_000 + number))
        path.chmod(0o700 if number % 2 else 0o600)
    (other / "platelink/__pycache__").mkdir()  # nothing that git knows of
    (other / "platelink/__pycache__/left.cpython-311.pyc").write_bytes(b"left")
    (other / "platelink/mine.py").write_text("left")  # nor what it is told to leave out here
    with (other / ".git/info/exclude").open("a") as excluded:
        excluded.write("mine.py\n")
    sh("git config core.fileMode false", other)
    out = tmp_path / "out"
    done = release(other, out, key, umask="077", TZ="Pacific/Auckland", LC_ALL="C.UTF-8",
                   SOURCE_DATE_EPOCH="1", PYTHONHASHSEED="7", HOME=str(tmp_path))  # fmt: skip
    assert done.returncode == 0, done.stderr
    names = {"SHA256SUMS", "SHA256SUMS.sig", *(p.name for p in made.glob("platelink-*"))}
    assert len(names) == 4 and {p.name for p in out.iterdir()} == names
    for name in names:
        assert (out / name).read_bytes() == (made / name).read_bytes(), name
    head = sh("git rev-parse HEAD", other).stdout.strip()
    assert done.stdout.startswith(f"commit {head}, hatchling ")


def test_archive_and_wheel_hold_what_the_commit_holds(made: Path, checkout: Path) -> None:
    (archive,) = made.glob("*.tar.gz")
    with tarfile.open(archive) as opened:
        held = {name.partition("/")[2] for name in opened.getnames()}
    known = set(sh("git ls-files", checkout).stdout.splitlines())
    assert held - known == {"PKG-INFO"}
    assert known - held <= {".gitignore"}


def test_archive_and_wheel_install_the_same_files(made: Path, tmp_path: Path) -> None:
    records = []
    for pattern in ("*.whl", "*.tar.gz"):
        (one,) = made.glob(pattern)
        to = tmp_path / one.suffix
        subprocess.run(
            [sys.executable, "-m", "pip", "install", "-q", "--no-deps", "--no-index",
             "--no-build-isolation", "--disable-pip-version-check", "--target", to, one],
            check=True, capture_output=True,
        )  # fmt: skip
        (record,) = to.glob("platelink-*.dist-info/RECORD")
        rows = [tuple(row) for row in csv.reader(record.read_text("utf-8").splitlines())]
        # What it was installed from is no part of it, nor what Python made of it here.
        records.append(sorted(row for row in rows if "direct_url" not in row[0]
                              and "__pycache__" not in row[0]))  # fmt: skip
        assert (to / "platelink/__init__.py").exists()
        assert (to / "platesim/firmware/core/pl_core.h").exists()
    assert records[0] == records[1] and len(records[0]) > 500


def test_a_receiver_finds_a_changed_byte_wherever_it_is(received: Path, tmp_path: Path) -> None:
    verify = documented("verify a release")
    done = sh(verify, received)
    assert done.returncode == 0 and "Signature Verified Successfully" in done.stdout
    assert done.stdout.count(": OK") == 2
    for path in [*received.glob("platelink-*"), *received.glob("SHA256SUMS*")]:
        before = path.read_bytes()
        changed = bytearray(before)
        changed[len(before) // 2] ^= 1
        path.write_bytes(changed)
        assert sh(verify, received).returncode != 0, path.name
        path.write_bytes(before)
    make_key(tmp_path / "other")
    shutil.copy(tmp_path / "other/release.pub", received)
    assert sh(verify, received).returncode != 0


def test_what_is_no_release_is_refused(checkout: Path, key: Path, tmp_path: Path) -> None:
    def refused(wanted: str, key: Path = key, out: Path = tmp_path / "out") -> None:
        done = release(checkout, out, key)
        assert done.returncode == 1 and done.stderr.startswith("refused: "), done.stderr
        assert wanted in done.stderr
        assert not (tmp_path / "out").exists() and not key.with_name("made.key").exists()

    refused("docs/releasing.md says how to make a key", tmp_path / "made.key")
    for mode in (0o640, 0o604, 0o620):
        open_to_others = Path(shutil.copy(key, tmp_path / f"{mode}.key"))
        open_to_others.chmod(mode)
        refused(f"chmod 600 {open_to_others}", open_to_others)
    rsa = tmp_path / "rsa.key"
    sh(f"umask 077; openssl genrsa -out '{rsa}' 2048", tmp_path)
    refused("is no Ed25519 key", rsa)
    left = checkout / "platelink/left.py"
    left.write_text("")
    try:
        refused("not everything is committed")
    finally:
        left.unlink()
    (tmp_path / "full").mkdir()
    (tmp_path / "full/old.whl").write_text("old")
    refused("is not empty: name a new folder", out=tmp_path / "full")


# --- the installer -------------------------------------------------------------------------


@pytest.fixture
def artefact(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[ModuleType]:
    """The installer's module; the key that it keeps is in this test's folder."""
    monkeypatch.syspath_prepend(str(ROOT / "deploy"))
    import installer.artefact as module

    monkeypatch.setattr(module, "KEPT", tmp_path / "etc/release.pub")
    yield module
    for name in [name for name in sys.modules if name.partition(".")[0] == "installer"]:
        del sys.modules[name]


def signed(folder: Path, key: Path) -> None:
    """An archive whose installer says only what it was asked to do."""
    tree = folder / "platelink-9.8.7"
    (tree / "deploy").mkdir(parents=True)
    (tree / "deploy/install.py").write_text(
        "import pathlib, sys\n"
        f"pathlib.Path({str(folder / 'asked')!r}).write_text(' '.join(sys.argv[1:]))\n"
        "sys.exit('fail' in sys.argv)\n"
    )
    sh("tar -czf platelink-9.8.7.tar.gz platelink-9.8.7; rm -r platelink-9.8.7", folder)
    archive = folder / "platelink-9.8.7.tar.gz"
    sums = f"{hashlib.sha256(archive.read_bytes()).hexdigest()}  {archive.name}\n"
    (folder / "SHA256SUMS").write_text(sums)
    sh(f"openssl pkeyutl -sign -rawin -inkey '{key}' -in SHA256SUMS -out SHA256SUMS.sig", folder)


@pytest.fixture
def small(tmp_path: Path, key: Path) -> Path:
    folder = tmp_path / "small"
    folder.mkdir()
    signed(folder, key)
    return folder


def test_the_installer_verifies_then_lets_the_release_s_own_do_the_rest(
    artefact: ModuleType, small: Path, key: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    public = key.with_suffix(".pub")
    assert artefact.install_from(small, public, ["install", "fail"]) == 1
    assert not artefact.KEPT.exists()  # nothing was installed by it
    assert artefact.install_from(small, public, ["install", "broker", "--site", "x"]) == 0
    assert (small / "asked").read_text() == "install broker --site x"
    number = sh(documented("number of the key"), key.parent).stdout.split()[0]
    assert f"platelink-9.8.7, by the key {number}" in capsys.readouterr().out
    assert artefact.KEPT.read_bytes() == public.read_bytes()
    (small / "asked").unlink()
    assert artefact.install_from(small, None, []) == 0  # by the key that it kept
    assert (small / "asked").read_text() == "install"
    (small / "asked").unlink()
    other = make_key(tmp_path / "other")  # signed by another key, and said to be by that
    shutil.rmtree(small)
    small.mkdir()
    signed(small, other)
    for told in (None, other.with_suffix(".pub")):
        with pytest.raises(artefact.Refused, match=r"not signed by this key|not the key of"):
            artefact.install_from(small, told, ["install"])
    assert not (small / "asked").exists()


@pytest.mark.parametrize("name", ["platelink-9.8.7.tar.gz", "SHA256SUMS", "SHA256SUMS.sig"])
def test_it_installs_nothing_of_what_was_changed(
    artefact: ModuleType, small: Path, key: Path, name: str
) -> None:
    path, public = small / name, key.with_suffix(".pub")
    before = path.read_bytes()
    path.write_bytes(before[:-9] + bytes([before[-9] ^ 1]) + before[-8:])
    with pytest.raises(artefact.Refused, match=r"not signed by this key|not what was signed"):
        artefact.install_from(small, public, ["install"])
    path.unlink()
    with pytest.raises(artefact.Refused, match=f"{re.escape(name)}: No such file"):
        artefact.install_from(small, public, ["install"])
    assert not (small / "asked").exists()


def test_it_says_what_it_lacks(
    artefact: ModuleType, small: Path, key: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with pytest.raises(artefact.Refused, match="name the public key of the releases"):
        artefact.install_from(small, None, ["install"])
    with pytest.raises(artefact.Refused, match="nokey: No such file"):
        artefact.install_from(small, tmp_path / "nokey", ["install"])
    with pytest.raises(artefact.Refused, match="no public key in PEM form"):
        artefact.install_from(small, small / "SHA256SUMS", ["install"])
    for words in (["--key", "x"], ["uninstall"]):
        with pytest.raises(artefact.Refused, match="after the folder stands 'install'"):
            artefact.install_from(small, key.with_suffix(".pub"), words)
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(artefact.Refused, match="apt-get install openssl"):
        artefact.install_from(small, key.with_suffix(".pub"), ["install"])
    assert not (small / "asked").exists()


def test_a_release_is_the_same_program_as_its_checkout(
    artefact: ModuleType, received: Path, checkout: Path, tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    """The whole real archive, verified and unpacked; only its installer is not run here."""
    import installer.program as program

    (tmp_path / "place").mkdir()
    public = (received / "release.pub").read_bytes()
    tree = artefact.unpacked(received, public, tmp_path / "place")
    assert (tree / "deploy/install.py").exists()
    names = set()
    for source in (checkout, tree):
        monkeypatch.setattr(program, "SOURCE", source)
        names.add(program.release_name())
    assert len(names) == 1
