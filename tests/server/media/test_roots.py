"""Names under media roots: nothing that a client or a recipe says leads outside."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from server.media.roots import MediaRoots, RootsError, check_name

ATTACKS = [
    "../secret.txt",
    "a/../../secret.txt",
    "/etc/passwd",
    "~/secret",
    "C:\\secret",
    "C:secret",
    "\\\\host\\share\\x",
    "//host/share/x",
    "a\\..\\..\\secret",
    "a\x00.exr",
    "",
    "..",
    "a/..",
    "file:///etc/passwd",
    "con\r\n",
    "x" * 2000,
]


@pytest.mark.parametrize("name", ATTACKS)
def test_a_hostile_name_is_refused_before_the_file_system_is_asked(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Source: CWE-22 (path traversal) and CWE-40 (UNC paths), their listed forms."""
    roots = MediaRoots([tmp_path])

    def asked(*_: object, **__: object) -> None:
        pytest.fail("the file system was asked")

    monkeypatch.setattr(os.path, "realpath", asked)
    with pytest.raises(RootsError):
        roots.resolve(name)


@pytest.mark.parametrize("name", ["%2e%2e/secret.txt", "..%2fsecret.txt", "%252e%252e/secret.txt"])
def test_encoded_dots_are_just_names(name: str, tmp_path: Path) -> None:
    """Source: CWE-177 (URL encoding): nothing is decoded here, so nothing is found."""
    root = tmp_path / "root"
    root.mkdir()
    (tmp_path / "secret.txt").write_text("x")
    with pytest.raises(RootsError):
        MediaRoots([root]).resolve(name)


def test_a_link_out_of_the_root_is_refused_and_one_inside_is_not(tmp_path: Path) -> None:
    """Source: CWE-59 (link following)."""
    root = tmp_path / "media"
    root.mkdir()
    (tmp_path / "media2").mkdir()
    (tmp_path / "media2" / "other.exr").write_bytes(b"x")
    (root / "plate.exr").write_bytes(b"x")
    (root / "out").symlink_to(tmp_path / "media2")
    (root / "in.exr").symlink_to(root / "plate.exr")
    roots = MediaRoots([root])
    assert roots.resolve("in.exr") == Path(os.path.realpath(root / "plate.exr"))
    with pytest.raises(RootsError):
        roots.resolve("out/other.exr")
    with pytest.raises(RootsError):
        roots.resolve("out/other.####.exr")


def test_names_go_both_ways_and_patterns_need_their_folder(tmp_path: Path) -> None:
    """Our own rule, no outside source: a sibling whose name merely starts alike is outside."""
    (tmp_path / "takes").mkdir()
    (tmp_path / "takes" / "a.exr").write_bytes(b"x")
    (tmp_path / "takes2").mkdir()
    roots = MediaRoots([tmp_path / "takes"])
    assert roots.name_of(tmp_path / "takes" / "a.exr") == "a.exr"
    assert roots.resolve("b.####.exr").name == "b.####.exr"
    with pytest.raises(RootsError):
        roots.name_of(tmp_path / "takes2")
    assert check_name("deep/er/a.exr").as_posix() == "deep/er/a.exr"
