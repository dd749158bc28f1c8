"""Scripts and styles, read once into memory and served under the hash of all of them.

One hash for the whole set keeps modules that import each other of one version, and lets browsers
keep them for good.
"""

from __future__ import annotations

import gzip
import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response

from platelink import __version__
from platelink.web.texts import Language

HERE = Path(__file__).parent / "static"
TYPES = {
    ".js": "text/javascript; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".svg": "image/svg+xml",
}
FOR_GOOD = "public, max-age=31536000, immutable"


@dataclass(frozen=True)
class Assets:
    """Everything that is served from memory."""

    files: Mapping[str, bytes]
    made: Mapping[str, Callable[[], bytes]]
    """What is made of a catalogue, when somebody first asks for it."""
    version: str

    def path(self, name: str) -> str:
        """Address of a file of this version."""
        if name not in self.files and name not in self.made:
            raise KeyError(f"no asset {name}")
        return f"/static/{self.version}/{name}"

    def content(self, name: str) -> bytes | None:
        """Of a file; None where there is none."""
        make = self.made.get(name)
        return self.files.get(name) if make is None else make()


def read_assets(languages: Mapping[str, Language], place: Path = HERE) -> Assets:
    """The folder, and the modules of texts of each language."""
    files = {
        path.name: path.read_bytes() for path in sorted(place.iterdir()) if path.suffix in TYPES
    }
    made: dict[str, Callable[[], bytes]] = {}
    sources = dict(files)
    for language in languages.values():
        made |= language.modules()
        if language.path is not None:
            sources[language.path.name] = language.path.read_bytes()
    whole = hashlib.sha256(__version__.encode())
    for name, content in sources.items():
        whole.update(f"{name}\0{len(content)}\0".encode() + content)
    return Assets(files, made, whole.hexdigest()[:12])


def compressed(request: Request, content: bytes, level: int = 6) -> tuple[bytes, dict[str, str]]:
    """As this browser takes it, and the header that says so."""
    if "gzip" not in request.headers.get("accept-encoding", ""):
        return content, {}
    return gzip.compress(content, level, mtime=0), {"content-encoding": "gzip"}


async def asset(request: Request) -> Response:
    """One file; of another version than this one's there is none."""
    assets: Assets = request.app.state.assets
    name = request.path_params["name"]
    content = assets.content(name)
    if content is None or request.path_params["version"] != assets.version:
        return PlainTextResponse("not found", 404)
    content, more = compressed(request, content)
    headers = {"cache-control": FOR_GOOD, "vary": "accept-encoding", **more}
    return Response(content, media_type=TYPES[Path(name).suffix], headers=headers)
