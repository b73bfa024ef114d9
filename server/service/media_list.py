"""What lies under the media roots, for choosing a background or a clean plate."""

from __future__ import annotations

import os
from pathlib import Path

from kernels.errors import VerdigrisError
from server.media.roots import MediaRoots, RootsError, check_name, is_inside
from server.media.sequence import is_text, numbered_folder
from server.wire.messages import MediaAsk
from server.wire.replies import Media, MediaEntry

MAX_ENTRIES = 500
MOVIES = frozenset({".mov", ".mp4", ".mkv", ".m4v", ".avi", ".mxf", ".webm"})
STILLS = frozenset({".exr", ".dpx", ".cin", ".tif", ".tiff", ".png", ".jpg", ".jpeg"})


def root_labels(roots: MediaRoots) -> list[str]:
    """Return the roots' names as pages see them, each told apart."""
    labels: list[str] = []
    for folder in roots.folders:
        label, n = folder.name or "root", 2
        while label in labels:
            label, n = f"{folder.name} ({n})", n + 1
        labels.append(label)
    return labels


def list_media(roots: MediaRoots, message: MediaAsk) -> Media:
    """Return what lies in a folder; with an empty root, the roots themselves."""
    labels = root_labels(roots)
    entries: list[MediaEntry] = []
    if not message.root:
        entries = [MediaEntry(name=label, label=label, kind="folder") for label in labels]
    elif message.root not in labels:
        raise RootsError("there is no media root of that name: ask with an empty root for all")
    else:
        entries = _entries(roots.folders[labels.index(message.root)], message.under)
    return Media(
        id=message.id, root=message.root, under=message.under, entries=entries[:MAX_ENTRIES]
    )


def _entries(root: Path, under: str) -> list[MediaEntry]:
    relative = check_name(under) if under else Path()
    real = Path(os.path.realpath(root / relative))
    if not is_inside(real, root) or not real.is_dir():
        raise RootsError("there is no such folder under this media root")
    prefix = f"{relative.as_posix()}/" if under else ""
    found = []
    for item in sorted(real.iterdir()):
        if item.name.startswith(".") or not is_text(item.name):
            continue
        if item.is_dir() and is_inside(Path(os.path.realpath(item)), root):
            found.append(MediaEntry(name=prefix + item.name, label=item.name, kind="folder"))
        elif item.suffix.lower() in MOVIES:
            found.append(MediaEntry(name=prefix + item.name, label=item.name, kind="movie"))
    return found + _pictures(real, prefix)


def _pictures(folder: Path, prefix: str) -> list[MediaEntry]:
    """The folder's numbered sequences and single pictures."""
    try:
        sequences, singles = numbered_folder(folder)
    except VerdigrisError:
        return []
    found = []
    for pattern, frames in sequences.items():
        name = Path(str(pattern)).name
        if Path(name).suffix.lower() not in STILLS or not is_text(name):
            continue
        if len(frames) > 1:
            found.append(
                MediaEntry(
                    name=prefix + name,
                    label=name,
                    kind="sequence",
                    first=frames[0],
                    last=frames[-1],
                )
            )
        elif frames:
            single = pattern.path(frames[0]).name
            found.append(MediaEntry(name=prefix + single, label=single, kind="still"))
    for path in singles:
        if path.suffix.lower() in STILLS and is_text(path.name):
            found.append(MediaEntry(name=prefix + path.name, label=path.name, kind="still"))
    return found
