"""A sealed plate on one page: what stands on it, what lies in it, always the same."""

from __future__ import annotations

import hashlib
import html
import json
import os
import re
import shutil
import subprocess
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
import zxingcpp
from evidence.test_commands import Unit

from platelink.evidence.bundle import TAGS, check_bundle
from platelink.evidence.folder import read_folder
from platelink.evidence.keys import Verifier
from platelink.evidence.note import read_proof
from platelink.evidence.seal import manifest_of, read_seal, sum_of
from platelink.record.reader import JournalReader
from platelink.report.drawn import Pane, drawn
from platelink.report.page import html_of
from platelink.report.sheet import SealTold, sheet_of
from platelink.report.typeset import label_of, pdf_of
from report.made import NOTE, PLATE, alarm, folder_of_one

pytestmark = pytest.mark.timeout(900)
AT = datetime(2030, 2, 3, 4, 5, 6, tzinfo=UTC)
SEAL = SealTold("2030-02-03T04:05:06.000Z", "ab" * 32, 12, "platelink/a/b/0a1b2c3d", 99, "cm9vdA==",
                "platelink/a/b/0a1b2c3d+00112233+AAAA")  # fmt: skip


def poppler(*words: str | Path) -> str:
    """A program of poppler's, which knows PDF and nothing of us."""
    if shutil.which(str(words[0])) is None:
        if os.environ.get("CI"):
            pytest.fail(f"{words[0]} is missing: apt-get install poppler-utils")
        pytest.skip(f"{words[0]} is missing: apt-get install poppler-utils")
    return subprocess.run(list(map(str, words)), check=True, capture_output=True, text=True).stdout


def scanned(pdf: Path) -> list[str]:
    """What a scanner reads on the printed page (150 dots an inch)."""
    picture = pdf.with_suffix("")
    poppler("pdftoppm", "-r", "150", "-gray", "-singlefile", pdf, picture)
    raw = picture.with_suffix(".pgm").read_bytes()
    _, size, _, dots = raw.split(b"\n", 3)
    width, height = map(int, size.split())
    grey = np.frombuffer(dots, np.uint8, width * height).reshape(height, width)
    return [found.text for found in zxingcpp.read_barcodes(grey)]


@pytest.fixture(scope="module")
def unit(tmp_path_factory):
    found = Unit(folder_of_one(tmp_path_factory.mktemp("unit") / "one"))
    assert found.seal() == ""
    found.bag = found.folder / "bag"
    found.says("bundle", PLATE, "--to", found.bag)
    return found


@pytest.fixture
def files(unit):
    return read_folder(unit.bag)


@pytest.fixture
def key(unit):
    return Verifier.of_text(unit.says("seal", "key").strip())


def record_of(files):
    return json.loads(files["data/record.json"])


# --- what stands on it -------------------------------------------------------------------------


def test_the_page_tells_what_the_record_has(unit, files):
    text = html.unescape(re.sub(r"<[^>]+>", "|", files["report.html"].decode()))
    with JournalReader.open(unit.places.journal) as reader:
        parts = [part.summary for part in reader.parts(PLATE)]
    lit = [part for part in parts if part.kind == "expose"]
    assert [part.step for part in lit] == ["film", "back"]
    for part in lit:
        assert f"|{part.target_dose_mj_cm2:.1f} mJ/cm²|" in text
        assert f"|{part.dose_mj_cm2:.1f} mJ/cm²" in text
        assert f"|{part.difference_pct:+.2f} %|".replace("-0.00", "+0.00") in text
        assert f"±{part.plate_to_plate_pct:.1f} % between plates" in text
        assert f"±{part.against_meter_pct:.1f} % against meter" in text
    for words in (
        "15.0 s in 54.5–61.5 °C", "|large area|", "|30–34 µm|", "|within|",
        "Are all dots standing?",
        "|vacuum low|", "|42 kPa|", "|56 kPa|", "example-operator", NOTE,
        "job: was invented-job, is invented-job-2: wrong label", "|invented-job-2|",
    ):  # fmt: skip
        assert words in text, words
    seal = read_seal(files["seal.json"])
    assert seal.leaf.hex() in text
    assert read_proof(files["seal.tlog-proof"]).note.text.split("\n")[2] in text


def test_the_pdf_is_one_page_with_the_same_words(unit):
    words = poppler("pdftotext", "-layout", unit.bag / "report.pdf", "-")
    assert "Pages:           1\n" in poppler("pdfinfo", unit.bag / "report.pdf")
    for one in ("Plate plate-1", "60.0 mJ/cm²", "invented-job-2"):
        assert one in words


def test_curves_have_limits_marks_and_holes():
    t_s = np.arange(100.0)
    values = np.where((t_s > 40) & (t_s < 60), np.nan, np.sin(t_s / 9))
    svg = drawn(
        t_s, [Pane(values, -0.5, 0.5), Pane(values)], [(25.0, "1"), (25.1, "2"), (80.0, "3")]
    )
    assert svg.count(' fill="#e4e4e4"') == 1
    assert svg.count("stroke-dasharray") == 3
    assert ">1<" in svg and ">3<" in svg and ">2<" not in svg  # it would lie on 1
    (line, _) = re.findall(r'<path d="([^"]+)" fill="none"', svg)
    assert line.count("M") == 2  # broken where nothing was measured


def test_noise_of_nothing_does_not_look_like_something():
    t_s = np.arange(50.0)
    (line,) = re.findall(
        r'<path d="([^"]+)" fill="none"', drawn(t_s, [Pane(0.04 * np.sin(t_s), least=10.0)], [])
    )
    heights = [float(at.split()[1]) for at in re.split("[ML]", line)[1:]]
    assert max(heights) - min(heights) < 1.0


# --- what lies in it ---------------------------------------------------------------------------


def test_record_and_proof_come_out_of_the_pdf_as_they_were_sealed(unit, files, tmp_path):
    listed = poppler("pdfdetach", "-list", unit.bag / "report.pdf")
    assert listed.startswith("5 embedded files")
    poppler("pdfdetach", "-saveall", "-o", tmp_path, unit.bag / "report.pdf")
    out = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    assert out == {
        "record.json": files["data/record.json"],
        **{name: files[name] for name in
           ("manifest-sha256.txt", "seal.json", "seal.tlog-proof", "log.pem")},
    }  # fmt: skip
    line = f"{hashlib.sha256(out['record.json']).hexdigest()}  data/record.json\n"
    assert line in out["manifest-sha256.txt"].decode()
    assert read_seal(out["seal.json"]).manifest_sha256 == sum_of(out["manifest-sha256.txt"])


def test_the_pdf_says_that_it_is_pdf_a_3b(unit):
    xmp = poppler("pdfinfo", "-meta", unit.bag / "report.pdf")
    assert re.search(r"pdfaid:part>3<", xmp)
    assert re.search(r"pdfaid:conformance>B<", xmp)
    fonts = poppler("pdffonts", unit.bag / "report.pdf").splitlines()[2:]
    assert fonts
    assert all(row[56:].split()[-5] == "yes" for row in fonts), fonts  # all are embedded


# --- always the same ---------------------------------------------------------------------------


def test_it_is_the_same_bytes_each_time(unit, files, tmp_path):
    for form in ("pdf", "html"):
        unit.says("report", PLATE, "-o", tmp_path / f"x.{form}")
        assert (tmp_path / f"x.{form}").read_bytes() == files[f"report.{form}"]
    assert "ends in .pdf or .html" in unit.says("report", PLATE, "-o", tmp_path / "x.doc", code=2)


def test_a_bundle_with_its_reports_holds(unit, files, key):
    found = check_bundle(files, key)
    assert (found.problems, found.notices) == ((), ())
    assert "is what was sealed" in unit.says("verify", "--bundle", unit.bag)


def retagged(files, path, data):
    """What somebody makes who changes a report and the sums that nobody signs."""
    bent = {name: one for name, one in files.items() if name != TAGS} | {path: data}
    payload = {name for name in bent if name.startswith("data/")}
    return {**bent, TAGS: manifest_of({n: d for n, d in bent.items() if n not in payload})}


@pytest.mark.parametrize(
    ("path", "was", "now"),
    [("report.html", b"example-operator", b"somebody-else"),
     ("report.json", b"wrong label", b"other label"),
     ("report.pdf", b"/Type", b"/TypE")],
)  # fmt: skip
def test_a_report_that_tells_something_else_is_found(files, key, path, was, now):
    bent = files[path].replace(was, now)
    assert bent != files[path]
    assert check_bundle({**files, path: bent}, key).problems == (f"{TAGS} is changed, or {path}",)
    found = check_bundle(retagged(files, path, bent), key)
    assert found.problems == ()
    told = path if path != "report.json" else "report.html"
    assert any(text.startswith(told) for text in found.notices), found.notices
    assert all("data/record.json" in text for text in found.notices)


def test_what_is_not_sealed_has_no_report(unit, tmp_path):
    empty = Unit(folder_of_one(tmp_path / "other"))
    said = empty.says("report", PLATE, "-o", tmp_path / "x.pdf", code=1)
    assert "nothing was sealed yet" in said
    assert not (tmp_path / "x.pdf").exists()


# --- any script, any length --------------------------------------------------------------------


def sheet(files, change=lambda told: told, beside=(), address=""):
    told = change(json.dumps(record_of(files), ensure_ascii=False))
    return sheet_of(files, told.encode(), SEAL, beside=beside, address=address, release="0")


def set_in(tmp_path, found) -> tuple[Path, str]:
    path = tmp_path / "set.pdf"
    path.write_bytes(pdf_of(found, {}, AT))
    assert "Pages:           1\n" in poppler("pdfinfo", path)
    return path, poppler("pdftotext", path, "-")


def has_font(character: str, *, needed: bool = True) -> bool:
    asked = ["fc-list", f":charset={ord(character):x}"]
    found = (
        shutil.which("fc-list") and subprocess.run(asked, check=True, capture_output=True).stdout
    )
    if not found and needed and os.environ.get("CI"):
        pytest.fail(f"no font has {character}: apt-get install fonts-droid-fallback")
    return bool(found)


def test_three_hundred_alarms_and_marks_keep_to_one_page_and_say_so(files, tmp_path):
    told = [
        {"id": f"0-{n}", "kind": "event", "run_id": None, "name": "alarm", "text": f"alarm {n}",
         "at_utc": record_of(files)["runs"][1]["start"]["at_utc"], "data": alarm(n).data()}
        for n in range(300)
    ]  # fmt: skip
    found = sheet(files, beside=told)
    (alarms,) = [table for table in found.tables if table.title == "Alarms meanwhile"]
    assert len(alarms.rows) + alarms.more == 300
    _, words = set_in(tmp_path, found)
    shown = words.count("vacuum low\nhigh") or words.count("unacknowledged")
    (more,) = (int(n) for n in re.findall(r"(\d+) more in the record", words)[:1])
    assert 0 < shown <= 300 - more
    assert "99 leaves" in words  # the seal stands at the foot of it all the same
    assert "240 more in the record" in html_of(found).decode()


@pytest.mark.parametrize("long", ["x" * 4000, "wort " * 800, "名" * 2000])
def test_a_very_long_name_is_cut_and_keeps_to_the_page(files, tmp_path, long):
    if long[0] == "名" and not has_font("名"):
        pytest.skip("no font here has it: apt-get install fonts-droid-fallback")
    _, words = set_in(tmp_path, sheet(files, lambda told: told.replace("invented-job", long)))
    assert "…" in words
    assert long not in words.replace("\n", "")


def test_arabic_and_chinese_are_set(files, tmp_path):
    if not has_font("工"):
        pytest.skip("no font here has it: apt-get install fonts-droid-fallback")
    names = {"example-operator": "مشغل أحمد", "invented-job": "中文工单"}

    def change(told: str) -> str:
        for was, now in names.items():
            told = told.replace(was, now)
        return told

    _, words = set_in(tmp_path, sheet(files, change))
    assert "中文工单" in words
    assert "U+" not in words
    assert "أحمد" in words.replace("\u202b", "").replace("\u202c", "")


def test_what_no_font_has_is_written_by_its_number_and_stands_in_the_html(files, tmp_path):
    odd = "job \U000130a7\u0001"  # an Egyptian hieroglyph, and what is no character to print
    found = sheet(files, lambda told: told.replace("invented-job", json.dumps(odd)[1:-1]))
    _, words = set_in(tmp_path, found)
    assert has_font("\U000130a7", needed=False) or "[U+130A7]" in words
    assert "job \U000130a7<" in html_of(found).decode()


# --- what came after the end -------------------------------------------------------------------


def test_what_the_device_told_after_an_uncertain_end_is_what_stands_there(files):
    beside = json.loads(files["report.json"])["events"]
    told = record_of(files)
    assert "61.2 mJ/cm²" not in html_of(sheet(files, beside=beside)).decode()
    (film,) = [run for run in told["runs"] if run["start"]["step"] == "film"]
    film["end"]["data"]["uncertain_mj_cm2"] = 0.5
    doubtful = sheet(files, lambda _: json.dumps(told))
    assert "mJ/cm², up to 0.5 mJ/cm² more" in html_of(doubtful).decode()
    corrected = html_of(sheet(files, lambda _: json.dumps(told), beside)).decode()
    assert "61.2 mJ/cm²" in corrected and "up to 0.5" not in corrected


# --- codes -------------------------------------------------------------------------------------


def test_the_code_on_the_page_leads_to_verification(unit, files, tmp_path):
    seal = read_seal(files["seal.json"])
    (code,) = scanned(Path(shutil.copy(unit.bag / "report.pdf", tmp_path / "r.pdf")))
    place = read_proof(files["seal.tlog-proof"])
    assert code.split("\n") == [
        "platelink verify plate-1", f"leaf {place.index} of {place.note.text.splitlines()[0]}",
        f"SHA-256 {seal.leaf.hex()}",
    ]  # fmt: skip
    command = code.split("\n")[0].split()[1:]
    assert "each is what was sealed" in unit.says(*command)
    found = sheet(files, address="https://plates.example:8460/")
    assert found.code == f"https://plates.example:8460/records/plate-1?seal={'ab' * 32}"
    assert scanned(set_in(tmp_path, found)[0]) == [found.code]


def test_the_label_has_the_plates_code(unit, tmp_path):
    unit.says("label", PLATE, "-o", tmp_path / "label.pdf")
    assert scanned(tmp_path / "label.pdf") == [PLATE]
    told = json.loads(unit.says("label", PLATE, "-o", tmp_path / "again.pdf", "--json"))
    assert told == {"label": str(tmp_path / "again.pdf"), "plate": PLATE}
    words = poppler("pdftotext", tmp_path / "label.pdf", "-")
    assert "job invented-job-2" in words and "short@1" in words
    assert "is no plate" in unit.says("label", "run-2", "-o", tmp_path / "x.pdf", code=2)
    long = label_of("p" * 200, ["中文" * 90, "ا" * 160] * 4, "p" * 200, AT)
    (tmp_path / "long.pdf").write_bytes(long)
    assert "Pages:           1\n" in poppler("pdfinfo", tmp_path / "long.pdf")
    assert scanned(tmp_path / "long.pdf") == ["p" * 200]
