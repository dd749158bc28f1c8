"""The report against clauses of ISO 19005-3:2012 (PDF/A-3, level B), read by pypdf.

No validator: those that are packaged have none of their own, but fetch a program from elsewhere.
The clauses are named from memory of the standard, which is not at hand; what each asks for is
stated beside it. Rules on the operators and colours of a page, and on the tables within fonts, are
looked at in part only.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest
from evidence.test_commands import Unit
from pypdf import PdfReader, PdfWriter
from pypdf.generic import (
    ArrayObject,
    BooleanObject,
    DictionaryObject,
    IndirectObject,
    NameObject,
    NumberObject,
    StreamObject,
    TextStringObject,
)

from report.made import PLATE, folder_of_one

pytestmark = pytest.mark.timeout(300)
PDFAID = "{http://www.aiim.org/pdfa/ns/id/}"
ACTIONS = {"/GoTo", "/GoToR", "/URI", "/Named", "/SubmitForm", "/Thread"}
"""All others are forbidden: JavaScript, Launch, Sound, Movie, ResetForm, ImportData, Hide … (6.5.1)
"""
BLEND = {
    "/Normal", "/Compatible", "/Multiply", "/Screen", "/Overlay", "/Darken", "/Lighten",
    "/ColorDodge", "/ColorBurn", "/HardLight", "/SoftLight", "/Difference", "/Exclusion", "/Hue",
    "/Saturation", "/Color", "/Luminosity",
}  # fmt: skip
"""Blend modes of PDF 1.7 (ISO 32000-1, tables 136 and 137)."""
RELATIONS = {"/Source", "/Data", "/Alternative", "/Supplement", "/Unspecified"}


def objects(reader: PdfReader) -> Iterator[Any]:
    """All that the file's tables name, each once, with what lies within."""
    numbers = {n for table in reader.xref.values() for n in table} | set(reader.xref_objStm)
    for number in sorted(numbers - {0}):
        yield from within(reader.get_object(IndirectObject(number, 0, reader)))


def within(one: Any) -> Iterator[Any]:
    yield one
    inner = one.values() if isinstance(one, dict) else one if isinstance(one, list) else ()
    for value in inner:
        if not isinstance(value, IndirectObject):
            yield from within(value)


def faults(data: bytes) -> list[str]:
    """What of the file is against a clause; each begins with its number."""
    reader = PdfReader(io.BytesIO(data))
    everything = list(objects(reader))
    dictionaries = [one for one in everything if isinstance(one, dict)]
    return [
        *_file(data, reader), *_limits(everything), *_metadata(reader), *_colour(reader),
        *_streams(dictionaries), *_fonts(dictionaries), *_drawn(dictionaries),
        *_active(reader, dictionaries), *_attached(reader),
    ]  # fmt: skip


def _file(data: bytes, reader: PdfReader) -> Iterator[str]:
    first, second = data.split(b"\n", 2)[:2]
    if not re.fullmatch(rb"%PDF-1\.[0-7]\r?", first):
        yield f"6.1.2: the header is {first!r}"
    if second[:1] != b"%" or sum(byte > 127 for byte in second[1:5]) < 4:
        yield "6.1.2: no comment of four bytes above 127 follows the header"
    if len(reader.trailer.get("/ID", ())) != 2:
        yield "6.1.3: no file identifier"
    if "/Encrypt" in reader.trailer:
        yield "6.1.3: it is encrypted"
    if not re.search(rb"%%EOF\r?\n?\Z", data):
        yield "6.1.3: something follows the end"


def _limits(everything: list[Any]) -> Iterator[str]:
    for one in everything:
        if isinstance(one, NumberObject) and not -(1 << 31) <= one < 1 << 31:
            yield f"6.1.13: the integer {one}"
        if isinstance(one, str) and not isinstance(one, NameObject) and len(one) > 32_767:
            yield "6.1.13: a string of more than 32,767 bytes"
        if isinstance(one, NameObject) and len(one.encode()) > 128:
            yield "6.1.13: a name of more than 127 bytes"
    if len(everything) > 8_388_607:
        yield "6.1.13: too many objects"


def _metadata(reader: PdfReader) -> Iterator[str]:
    stream = reader.root_object.get("/Metadata")
    if stream is None:
        yield "6.6.2.1: no metadata"
        return
    told = ElementTree.fromstring(stream.get_object().get_data())
    found = {e.tag: e.text for e in told.iter()} | {
        name: value for e in told.iter() for name, value in e.attrib.items()
    }
    if (found.get(f"{PDFAID}part"), found.get(f"{PDFAID}conformance")) != ("3", "B"):
        yield "6.6.4: it does not say that it is PDF/A-3, level B"


def _colour(reader: PdfReader) -> Iterator[str]:
    intents = [one.get_object() for one in reader.root_object.get("/OutputIntents", ())]
    wanted = [one for one in intents if one.get("/S") == "/GTS_PDFA1"]
    if len(wanted) != 1 or "/DestOutputProfile" not in wanted[0]:
        yield "6.2.3: no output intent of PDF/A with a profile"
        return
    profile = wanted[0]["/DestOutputProfile"].get_object()
    head = profile.get_data()[:128]
    # ICC.1: bytes 36 to 39 are "acsp", 16 to 19 the colour space, 12 to 15 the class.
    if head[36:40] != b"acsp" or head[12:16] not in (b"mntr", b"prtr", b"scnr", b"spac"):
        yield "6.2.3: the profile of the output intent is no ICC profile"
    if (profile.get("/N"), head[16:20]) not in ((3, b"RGB "), (1, b"GRAY"), (4, b"CMYK")):
        yield "6.2.3: the profile has another number of colours than it says"
    for page in reader.pages:
        words = set(page.get_contents().get_data().split())  # type: ignore[union-attr]
        if profile.get("/N") != 4 and words & {b"K", b"k"}:
            yield "6.2.4.3: DeviceCMYK without a profile of it"


def _streams(dictionaries: list[Any]) -> Iterator[str]:
    for one in dictionaries:
        if not isinstance(one, StreamObject):
            continue
        filters = one.get("/Filter", [])
        if "/LZWDecode" in (filters if isinstance(filters, list) else [filters]):
            yield "6.1.7.2: LZW"
        if {"/F", "/FFilter", "/FDecodeParms"} & one.keys():
            yield "6.1.7.1: the content of a stream lies in another file"


def _fonts(dictionaries: list[Any]) -> Iterator[str]:
    descriptors = [one for one in dictionaries if one.get("/Type") == "/FontDescriptor"]
    for one in descriptors:
        if not {"/FontFile", "/FontFile2", "/FontFile3"} & one.keys():
            yield f"6.2.11.4.1: {one.get('/FontName')} is not embedded"
    for one in dictionaries:
        if one.get("/Type") != "/Font" or one.get("/Subtype") in ("/Type0", "/Type3"):
            continue
        if "/FontDescriptor" not in one:
            yield f"6.2.11.4.1: {one.get('/BaseFont')} has no descriptor"
        if one.get("/Subtype") == "/CIDFontType2" and "/CIDToGIDMap" not in one:
            yield f"6.2.11.3.2: {one.get('/BaseFont')} has no map of its glyphs"
    if not descriptors:
        yield "no font at all"


def _drawn(dictionaries: list[Any]) -> Iterator[str]:
    for one in dictionaries:
        if one.get("/Subtype") == "/Image" and one.get("/Interpolate"):
            yield "6.2.8: an image is interpolated"
        if one.get("/Subtype") == "/PS" or "/Ref" in one or "/OPI" in one or "/Alternates" in one:
            yield "6.2.9: a forbidden kind of drawing"
        if one.get("/Type") == "/ExtGState":
            modes = one.get("/BM", "/Normal")
            if not set(modes if isinstance(modes, list) else [modes]) <= BLEND:
                yield f"6.2.10: the blend mode {modes}"
            if {"/TR", "/HTP"} & one.keys() or one.get("/TR2", "/Default") != "/Default":
                yield "6.2.5: a transfer function"
        # Where nothing else names the space to blend in, the output intent does (6.2.10).
        if one.get("/S") == "/Transparency" and one.get("/CS") == "/DeviceCMYK":
            yield "6.2.10: blended in DeviceCMYK"


def _active(reader: PdfReader, dictionaries: list[Any]) -> Iterator[str]:
    for one in dictionaries:
        kind = one.get("/S")
        if ("/JS" in one or one.get("/Type") == "/Action") and kind not in ACTIONS:
            yield f"6.5.1: the action {kind}"
        if "/AA" in one:
            yield "6.5.2: something happens by itself"
        if one.get("/Type") == "/Annot" or ("/Rect" in one and "/Subtype" in one):
            flags = int(one.get("/F", 0))
            if one["/Subtype"] != "/Popup" and (flags & 4 != 4 or flags & (1 | 2 | 32)):
                yield "6.3.2: an annotation is not printed, or hidden"
    names = reader.root_object.get("/Names", DictionaryObject()).get_object()
    if "/JavaScript" in names:
        yield "6.5.1: JavaScript"
    form = reader.root_object.get("/AcroForm")
    if form is not None and {"/XFA", "/NeedAppearances"} & form.get_object().keys():
        yield "6.4: a form that is filled by a program"


def _attached(reader: PdfReader) -> Iterator[str]:
    names = reader.root_object.get("/Names", DictionaryObject()).get_object()
    tree = names.get("/EmbeddedFiles", DictionaryObject()).get_object()
    listed = [one.get_object() for one in tree.get("/Names", [])[1::2]]
    associated = [one.get_object() for one in reader.root_object.get("/AF", ArrayObject())]
    if len(listed) != 5:
        yield f"{len(listed)} files are attached"
    for one in listed:
        name = one.get("/UF")
        if not {"/F", "/UF"} <= one.keys():
            yield f"6.8: {name} has no name"
        if one.get("/AFRelationship") not in RELATIONS:
            yield f"6.8: it is not said what {name} is to the document"
        if not any(one == other for other in associated):
            yield f"6.8: {name} is attached to nothing"
        for stream in one["/EF"].get_object().values():
            if "/" not in str(stream.get_object().get("/Subtype", "/"))[1:].replace("#2F", "/"):
                yield f"6.8: {name} has no media type"


# --- the report --------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def pdf(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    unit = Unit(folder_of_one(tmp_path_factory.mktemp("unit") / "one"))
    assert unit.seal() == ""
    path = Path(unit.folder / "report.pdf")
    unit.says("report", PLATE, "-o", path)
    return path.read_bytes()


def test_the_report_is_against_no_clause_that_is_looked_at(pdf: bytes) -> None:
    assert faults(pdf) == []


def changed(pdf: bytes, change: Callable[[PdfWriter], None]) -> bytes:
    """The same document, written again with something changed."""
    writer = PdfWriter(clone_from=io.BytesIO(pdf))
    change(writer)
    out = io.BytesIO()
    writer.write(out)
    return out.getvalue()


def _root(writer: PdfWriter) -> DictionaryObject:
    return writer.root_object


def _without_profile(writer: PdfWriter) -> None:
    del _root(writer)["/OutputIntents"][0].get_object()["/DestOutputProfile"]


def _not_embedded(writer: PdfWriter) -> None:
    for one in writer._objects:
        if isinstance(one, dict) and one.get("/Type") == "/FontDescriptor":
            for name in ("/FontFile", "/FontFile2", "/FontFile3"):
                one.pop(NameObject(name), None)
            return


def _first_attached(writer: PdfWriter) -> DictionaryObject:
    names = _root(writer)["/Names"].get_object()["/EmbeddedFiles"].get_object()["/Names"]
    found = names[1].get_object()
    assert isinstance(found, DictionaryObject)
    return found


def _blended(writer: PdfWriter) -> None:
    resources = writer.pages[0]["/Resources"].get_object()
    state = DictionaryObject(
        {NameObject("/Type"): NameObject("/ExtGState"), NameObject("/BM"): NameObject("/Invented")}
    )
    resources[NameObject("/ExtGState")] = DictionaryObject({NameObject("/g"): state})


def _script(writer: PdfWriter) -> None:
    _root(writer)[NameObject("/OpenAction")] = DictionaryObject({
        NameObject("/S"): NameObject("/JavaScript"), NameObject("/JS"): TextStringObject("1"),
    })  # fmt: skip


def _by_itself(writer: PdfWriter) -> None:
    writer.pages[0][NameObject("/AA")] = DictionaryObject()


def _hidden(writer: PdfWriter) -> None:
    note = {
        "/Type": NameObject("/Annot"), "/Subtype": NameObject("/Text"),
        "/Rect": ArrayObject(map(NumberObject, (0, 0, 9, 9))), "/F": NumberObject(2),
    }  # fmt: skip
    made = DictionaryObject({NameObject(name): value for name, value in note.items()})
    writer.pages[0][NameObject("/Annots")] = ArrayObject([made])


@pytest.mark.parametrize(
    ("clause", "change"),
    [
        ("6.6.2.1", lambda w: _root(w).pop(NameObject("/Metadata"))),
        ("6.2.3", lambda w: _root(w).pop(NameObject("/OutputIntents"))),
        ("6.2.3", _without_profile),
        ("6.2.11.4.1", _not_embedded),
        ("6.8", lambda w: _first_attached(w).pop(NameObject("/AFRelationship"))),
        ("6.8", lambda w: _root(w).pop(NameObject("/AF"))),
        ("6.5.1", _script),
        ("6.5.2", _by_itself),
        ("6.2.10", _blended),
        ("6.3.2", _hidden),
        (
            "6.4",
            lambda w: _root(w).update({NameObject("/AcroForm"): DictionaryObject({
                NameObject("/NeedAppearances"): BooleanObject(True)})}),
        ),
        (
            "6.1.13",
            lambda w: _root(w).update({NameObject("/X"): TextStringObject("x" * 40_000)}),
        ),
    ],
)  # fmt: skip
def test_what_is_against_a_clause_is_found(
    pdf: bytes, clause: str, change: Callable[[PdfWriter], None]
) -> None:
    before = {fault.partition(":")[0] for fault in faults(changed(pdf, lambda _: None))}
    assert clause not in before
    found = faults(changed(pdf, change))
    assert any(fault.startswith(f"{clause}:") for fault in found), found


def test_what_is_wrong_with_the_file_itself_is_found(pdf: bytes) -> None:
    for clause, data in (
        ("6.1.3", pdf + b"more"), ("6.1.3", pdf.replace(b"/ID", b"/JD")),
        ("6.1.2", pdf.replace(b"%PDF-1.7", b"%PDF-2.0", 1)),
    ):  # fmt: skip
        assert any(fault.startswith(f"{clause}:") for fault in faults(data)), clause
    assert any("6.6.4" in fault for fault in faults(pdf.replace(b">B<", b">U<")))
