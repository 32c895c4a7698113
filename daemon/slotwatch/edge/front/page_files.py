"""The page's own files: read once, compressed once, identified by the hash of their bytes."""

from __future__ import annotations

import gzip
import hashlib
import mimetypes
from dataclasses import dataclass
from pathlib import Path

from aiohttp import web

from slotwatch.edge.shared import shipped
from slotwatch.judge.catalog import CATALOG

RULE_PAGE = "/rules/{name}"
PAGES = (
    "/",
    "/universes",
    "/universes/from/{name:.+}",
    "/universe/{name:.+}",
    "/incident/{id}",
    "/incidents",
    "/rules",
    RULE_PAGE,
    "/sources",
    "/network",
    "/patch",
    "/rig-check",
    "/racks",
    "/hours",
    "/fixtures-asked",
    "/routes",
    "/readiness",
    "/references",
    "/reports",
    "/listener",
)
"""Addresses of views, as in `web/main.js`: each can be bookmarked and sent, and is answered with the one page."""

_TYPES = {".js": "text/javascript", ".css": "text/css", ".svg": "image/svg+xml", ".html": "text/html"}
_TEXT = (".js", ".css", ".svg", ".html", ".json", ".webmanifest")
SMALLEST_WORTH_IT_BYTES = 256


@dataclass(frozen=True, slots=True)
class PageFile:
    """One file, ready to be sent."""

    content: bytes
    compressed: bytes | None
    content_type: str
    etag: str
    changed_ns: int


class PageFiles:
    """Files of `web/`. A changed file is read again. Only files of the directory can be read."""

    def __init__(self, root: Path | None = None) -> None:
        self._root = root or shipped.directory("web")
        self._held: dict[str, PageFile] = {}

    async def index(self, request: web.Request) -> web.StreamResponse:
        return self._answer(request, "index.html")

    async def rule(self, request: web.Request) -> web.StreamResponse:
        """A rule's page. There is none of an unknown rule: the page says so, and so does the status."""
        return self._answer(request, "index.html", 200 if request.match_info["name"] in CATALOG else 404)

    async def file(self, request: web.Request) -> web.StreamResponse:
        return self._answer(request, request.match_info["name"])

    def _answer(self, request: web.Request, name: str, status: int = 200) -> web.StreamResponse:
        found = self._find(name)
        headers = {"ETag": found.etag, "Cache-Control": "no-cache", "Vary": "Accept-Encoding"}
        if status == 200 and found.etag in request.headers.get("If-None-Match", ""):
            return web.Response(status=304, headers=headers)
        content = found.content
        if found.compressed is not None and "gzip" in request.headers.get("Accept-Encoding", ""):
            content = found.compressed
            headers["Content-Encoding"] = "gzip"
        charset = "utf-8" if found.content_type.startswith("text/") else None
        return web.Response(
            body=content, status=status, content_type=found.content_type, charset=charset, headers=headers
        )

    def _find(self, name: str) -> PageFile:
        if "\0" in name:
            raise web.HTTPNotFound()
        path = self._root / name
        try:
            # No name leads out of the directory, neither by dots nor by a link.
            is_ours = path.resolve().is_relative_to(self._root.resolve()) and path.is_file()
        except OSError:  # a name longer than any file's
            is_ours = False
        if not is_ours:
            raise web.HTTPNotFound()
        changed_ns = path.stat().st_mtime_ns
        held = self._held.get(name)
        if held is None or held.changed_ns != changed_ns:
            held = self._held[name] = _read(path, changed_ns)
        return held


def _read(path: Path, changed_ns: int) -> PageFile:
    content = path.read_bytes()
    is_text = path.suffix in _TEXT and len(content) >= SMALLEST_WORTH_IT_BYTES
    return PageFile(
        content=content,
        compressed=gzip.compress(content, 9, mtime=0) if is_text else None,
        content_type=_TYPES.get(path.suffix) or mimetypes.guess_type(path.name)[0] or "application/octet-stream",
        etag=f'"{hashlib.sha256(content).hexdigest()[:20]}"',
        changed_ns=changed_ns,
    )
