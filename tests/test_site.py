"""The site of all documents: built by its one command, every link within it leads somewhere, and
nothing is fetched from elsewhere. Links to other sites are looked at by their form alone."""

from __future__ import annotations

import importlib.util
import re
import subprocess
import sys
import tomllib
from functools import cache
from html.parser import HTMLParser
from pathlib import Path, PurePosixPath
from types import ModuleType
from urllib.parse import unquote, urlsplit

import pytest
from documents import blocks

ROOT = Path(__file__).parent.parent
BUILD = ROOT / "docs/site/build.py"
FETCHED = {("script", "src"), ("link", "href"), ("img", "src"), ("iframe", "src"),
           ("source", "src"), ("video", "src"), ("object", "data")}  # fmt: skip
"""What a browser gets without being asked."""
NOT_FETCHED = {"canonical", "next", "prev", "index", "search", "genindex"}
FORM = re.compile(
    r"https?://[a-z0-9.-]+\.[a-z]{2,}(?:[/?#]\S*)?|https?://(?:127\.0\.0\.1|localhost)\S*"
)


class Page(HTMLParser):
    """What a page refers to, and what can be referred to in it."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.ids: set[str] = set()
        self.links: list[str] = []
        self.fetched: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        have = dict(attrs)
        self.ids.add(have.get("id") or "")
        for name, value in have.items():
            if (tag, name) in FETCHED and have.get("rel") not in NOT_FETCHED:
                self.fetched.append(value or "")
        if tag == "a" and "href" in have:
            self.links.append(have["href"] or "")


@cache
def page(path: Path) -> Page:
    return Page(path.read_text("utf-8"))


def broken(site: Path) -> list[str]:
    """Links that lead nowhere, things fetched from elsewhere, addresses of no known form."""
    found = []
    for path in sorted(site.rglob("*.html")):
        here = page(path)
        for target in [*here.links, *here.fetched]:
            parts = urlsplit(target)
            if parts.scheme or parts.netloc:
                if target in here.fetched and parts.scheme != "data":
                    found.append(f"{path.relative_to(site)} fetches {target}")
                elif parts.scheme != "data" and not FORM.fullmatch(target):
                    found.append(f"{path.relative_to(site)}: {target} is no address")
                continue
            to = (path.parent / unquote(parts.path)).resolve() if parts.path else path
            if not to.is_file():
                found.append(f"{path.relative_to(site)}: {target} leads nowhere")
            elif (
                parts.fragment
                and to.suffix == ".html"
                and unquote(parts.fragment) not in page(to).ids
            ):
                found.append(f"{path.relative_to(site)}: {target} has no such place")
    return found


def built(root: Path, out: Path) -> subprocess.CompletedProcess[str]:
    """By the command that the documents name."""
    return subprocess.run(
        [sys.executable, str(root / BUILD.relative_to(ROOT)), str(out)], cwd=root,
        capture_output=True, text=True, check=False,
    )  # fmt: skip


def site_builder() -> ModuleType:
    spec = importlib.util.spec_from_file_location("site_builder", BUILD)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("site")
    done = built(ROOT, out)
    assert done.returncode == 0, done.stderr
    return out


@pytest.mark.timeout(300)
def test_every_link_leads_somewhere(site: Path) -> None:
    assert len(list(site.rglob("*.html"))) > 60
    assert not broken(site)


def test_the_command_is_the_one_that_the_first_page_names() -> None:
    line = next(b.text for b in blocks((ROOT / "README.md").read_text("utf-8")) if b.mark == "site")
    install, build = line.strip().split(" && ")
    assert install.startswith(".venv/bin/pip install") and install.endswith("'.[docs]'")
    assert build == f".venv/bin/python {BUILD.relative_to(ROOT)} build/site"
    extras = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    docs = set(extras["optional-dependencies"]["docs"])
    assert docs <= set(extras["optional-dependencies"]["test"]), "what builds it is what is tested"


@pytest.mark.timeout(300)
def test_nothing_names_another_host(site: Path) -> None:
    """Neither a style nor a program fetches anything."""
    for path in [*site.rglob("*.css"), *site.rglob("*.js")]:
        text = path.read_text("utf-8", errors="replace")
        assert not re.search(r"(?:url\(|@import|fetch\(|src=)\s*[\"']?(?:https?:)?//", text), path


@pytest.mark.timeout(300)
def test_every_document_is_a_page_in_one_of_four_parts(site: Path) -> None:
    front = page(site / "index.html")
    text = (site / "index.html").read_text("utf-8")
    captions = re.findall(r'<span class="caption-text">([^<]+)</span>', text)
    assert captions == ["Tutorial", "How-to", "Reference", "Explanation"]
    sources = {*ROOT.glob("*.md"), *(ROOT / "docs").rglob("*.md")}
    sources |= {ROOT / "dashboards/README.md", ROOT / "firmware-sim/PROTOCOL.md"}
    for path in sources - {ROOT / "docs/decisions/template.md"}:
        name = path.relative_to(ROOT).with_suffix(".html").as_posix()
        assert (site / name).is_file() and name in front.links, name


@pytest.mark.timeout(300)
def test_a_document_that_is_named_is_linked(site: Path) -> None:
    links = page(site / "docs/installation.html").links
    assert {"wiring.html", "kiosk.html", "../README.html"} <= set(links)
    assert "docs/lamps.html" in page(site / "README.html").links
    assert "../docs/wiring.html" in page(site / "firmware-sim/PROTOCOL.html").links


@pytest.mark.timeout(300)
def test_it_can_be_searched_without_a_server(site: Path) -> None:
    index = (site / "searchindex.js").read_text("utf-8")
    assert index.startswith("Search.setIndex(") and "burn" in index


def test_what_leads_nowhere_is_noticed(tmp_path: Path) -> None:
    (tmp_path / "a.html").write_text(
        '<a href="b.html#there">x</a><a href="b.html#nowhere">x</a><a href="c.html">x</a>'
        '<a href="htps:/x">x</a><a href="https://example.org/a">x</a><p id="here">'
        '<a href="#here">x</a><a href="#gone">x</a><img src="//cdn.example.org/x.png">'
        '<script src="https://cdn.example.org/x.js"></script><link rel="next" href="b.html">',
        "utf-8",
    )
    (tmp_path / "b.html").write_text('<p id="there">', "utf-8")
    assert broken(tmp_path) == [
        "a.html: b.html#nowhere has no such place", "a.html: c.html leads nowhere",
        "a.html: htps:/x is no address", "a.html: #gone has no such place",
        "a.html fetches //cdn.example.org/x.png", "a.html fetches https://cdn.example.org/x.js",
    ]  # fmt: skip


def test_a_document_that_nobody_entered_is_in_the_reference() -> None:
    parts = {text.split()[2]: text.split() for text in [*site_builder().index(
        [PurePosixPath("docs/lamps.md"), PurePosixPath("docs/new-one.md")]
    )][1:]}  # fmt: skip
    assert "docs/new-one" in parts["Reference"] and parts["Reference"].count("docs/lamps") == 1
    assert all("docs/new-one" not in text for name, text in parts.items() if name != "Reference")


def test_names_of_documents_become_links_and_code_stays() -> None:
    here, there, root = map(PurePosixPath, ("docs/a.md", "docs/b/c.md", "README.md"))
    pages = {here, there, root}
    code = "```sh\ncat `docs/b/c.md`\n```\n"
    text = "See `docs/b/c.md`, `b/c.md`, `README.md`, `docs/a.md`, `no.md`.\n"
    assert site_builder().linked(text + code, here, pages) == (
        "See [`docs/b/c.md`](b/c.md), [`b/c.md`](b/c.md), [`README.md`](../README.md), "
        "`docs/a.md`, `no.md`.\n" + code
    )
