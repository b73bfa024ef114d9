"""Names of files under media roots: checked as strings before any file-system call."""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path, PurePosixPath, PureWindowsPath

from kernels.errors import VerdigrisError
from server.media.sequence import is_pattern

MAX_NAME = 1024


class RootsError(VerdigrisError):
    """A name does not lead to a file under a media root."""


def check_name(name: str) -> PurePosixPath:
    """Return `name` as a relative path, refusing all that could lead outside a root.

    Only the string is looked at: no dot-dot, no absolute path, drive letter, UNC path, backslash,
    control character or home shorthand. Raises RootsError.
    """
    windows = PureWindowsPath(name)
    bad = (
        not name
        or len(name) > MAX_NAME
        or any(ord(c) < 32 or ord(c) == 127 for c in name)
        or "\\" in name
        or ":" in name
        or name.startswith(("/", "~"))
        or bool(windows.drive or windows.root)
        or ".." in PurePosixPath(name).parts
    )
    if bad:
        raise RootsError(
            f"'{_printable(name)}' is not a name under a media root: give a relative path without "
            "'..', drive letters or backslashes"
        )
    return PurePosixPath(name)


def _printable(name: str) -> str:
    return "".join(c if c.isprintable() else "?" for c in name[:80])


class MediaRoots:
    """The folders under which clients and recipes may name files."""

    def __init__(self, roots: Iterable[str | Path]) -> None:
        seen: dict[str, Path] = {}
        for root in roots:
            seen.setdefault(os.path.realpath(root), Path(root))
        self.folders = [Path(real) for real in seen]

    def resolve(self, name: str) -> Path:
        """Return the real path of `name` under the first root that has it.

        `name` may be a numbered pattern: then its folder must exist under the root. Raises
        RootsError when the string is not allowed, nothing is there, or a link leads outside.
        """
        relative = check_name(name)
        for root in self.folders:
            candidate = root / relative
            pattern = is_pattern(Path(relative.name))
            target = candidate.parent if pattern else candidate
            real = Path(os.path.realpath(target))
            if not is_inside(real, root):
                continue
            if real.exists():
                return real / relative.name if pattern else real
        listed = ", ".join(f"'{root.name or root}'" for root in self.folders) or "none"
        raise RootsError(
            f"'{_printable(name)}' was not found under a media root (roots: {listed}): put "
            "it there, or add its folder with --media-root"
        )

    def name_of(self, path: str | Path) -> str:
        """Return the name by which a file under a root is called; RootsError if it is outside."""
        real = Path(os.path.realpath(path))
        for root in self.folders:
            if is_inside(real, root):
                return real.relative_to(root).as_posix()
        raise RootsError(f"'{path}' is not under a media root: add its folder with --media-root")


def is_inside(path: Path, root: Path) -> bool:
    """Tell whether a real path is a root or lies under it, compared part by part."""
    return path == root or root in path.parents


def where_needed(folder: Path, names: Iterable[str], roots: Iterable[Path]) -> list[Path]:
    """Return the folder if it has one of the names that no root has, else nothing.

    So a folder where nothing else is meant to be seen becomes a root only where it is needed.
    """
    known, here = MediaRoots(roots), MediaRoots([folder])
    missing = [name for name in names if name and not _resolves(known, name)]
    return [folder] if any(_resolves(here, name) for name in missing) else []


def _resolves(roots: MediaRoots, name: str) -> bool:
    try:
        roots.resolve(name)
    except RootsError:
        return False
    return True
