"""The page's own files: listed once at start, so that no request can name any other file."""

from __future__ import annotations

import hashlib
from pathlib import Path

from starlette.requests import Request
from starlette.responses import FileResponse, Response

TYPES = {
    ".html": "text/html; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".svg": "image/svg+xml",
    ".png": "image/png",
    ".jpg": "image/jpeg",
    ".webp": "image/webp",
    ".ico": "image/x-icon",
    ".woff2": "font/woff2",
    ".json": "application/json",
    ".webmanifest": "application/manifest+json",
    ".wasm": "application/wasm",
}
WEB = Path(__file__).resolve().parents[2] / "web"
JOIN = Path(__file__).resolve().parent / "join"


class PageFiles:
    """Files by address. Text in memory would be quicker, but files may change while developing."""

    def __init__(self, web: Path = WEB) -> None:
        self.files: dict[str, Path] = {}
        for prefix, folder in (("", web), ("join/", JOIN)):
            for path in sorted(folder.rglob("*")) if folder.is_dir() else []:
                hidden = any(part.startswith((".", "_")) for part in path.relative_to(folder).parts)
                if path.is_file() and path.suffix in TYPES and not hidden:
                    self.files[prefix + path.relative_to(folder).as_posix()] = path

    def answer(self, request: Request, name: str, status: int = 200) -> Response | None:
        """Return the answer for a file's address, or None if there is no such file."""
        path = self.files.get(name)
        if path is None or not path.is_file():
            return None
        stat = path.stat()
        tag = hashlib.sha256(f"{stat.st_size}:{stat.st_mtime_ns}".encode()).hexdigest()[:16]
        headers = {"cache-control": "no-cache", "etag": f'"{tag}"'}
        if status == 200 and request.headers.get("if-none-match") == f'"{tag}"':
            return Response(status_code=304, headers=headers)
        return FileResponse(path, status, headers, TYPES[path.suffix])
