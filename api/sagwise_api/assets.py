"""The page's files. Law: read once, packed once, served from memory; a stranger sees only the pairing page's.

The files are under 300 KB together, and a phone on a bike's Wi-Fi wants them small: each is kept gzipped beside the
plain bytes, with a tag, so that a second visit costs one short answer a file.
"""

from __future__ import annotations

import functools
import gzip
import hashlib
from dataclasses import dataclass
from pathlib import Path

from starlette.requests import Request
from starlette.responses import Response

from sagwise_api.problems import ProblemError

PAGE_DIR = Path(__file__).parent / "page"
MEDIA_TYPES = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
}
INDEX, PAIR = "index.html", "pair.html"
OPEN_FILES = ("pair.html", "pair.js", "theme.js", "first.js", "base.css", "icon.svg")
OPEN_PATHS = frozenset({"/", *(f"/page/{name}" for name in OPEN_FILES)})


@dataclass(frozen=True, slots=True)
class Asset:
    """One file, plain and packed."""

    media_type: str
    plain: bytes
    packed: bytes
    tag: str

    @classmethod
    def read(cls, path: Path) -> Asset:
        plain = path.read_bytes()
        tag = f'"{hashlib.blake2b(plain, digest_size=12).hexdigest()}"'
        return cls(MEDIA_TYPES[path.suffix], plain, gzip.compress(plain, 9, mtime=0), tag)

    def response(self, request: Request) -> Response:
        headers = {"etag": self.tag, "cache-control": "no-cache", "vary": "accept-encoding"}
        if self.tag in request.headers.get("if-none-match", ""):
            return Response(status_code=304, headers=headers)
        if "gzip" in request.headers.get("accept-encoding", ""):
            return Response(self.packed, headers={**headers, "content-encoding": "gzip"}, media_type=self.media_type)
        return Response(self.plain, headers=headers, media_type=self.media_type)


class Page:
    """All files of the page by their path under `/page/`."""

    def __init__(self, folder: Path = PAGE_DIR) -> None:
        self._assets = {
            path.relative_to(folder).as_posix(): Asset.read(path)
            for path in sorted(folder.rglob("*"))
            if path.is_file() and path.suffix in MEDIA_TYPES
        }

    def front(self, request: Request, paired: bool) -> Response:
        """What `/` answers: the page, or to a stranger the pairing page. Never kept, since it depends on who asks."""
        response = self._assets[INDEX if paired else PAIR].response(request)
        response.headers["cache-control"] = "no-store"
        return response

    def file(self, request: Request, name: str) -> Response:
        asset = self._assets.get(name)
        if asset is None:
            raise ProblemError(404, f"the page has no file {name[:80]!r}")
        return asset.response(request)


the_page = functools.cache(Page)
