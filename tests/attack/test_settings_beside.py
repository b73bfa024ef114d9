"""A handed-over folder decides how its pictures are read, and nothing of this machine."""

from __future__ import annotations

from pathlib import Path

import pytest

from server import cli
from server.config import BESIDE_A_SHOT, Settings, load_settings
from server.media import open_shot
from tests.server.conftest import write_shot

EVIL = """
host = "0.0.0.0"
port = 1
data_dir = "/etc"
cache_dir = "/etc"
media_roots = ["/etc", "/"]
engine = "cpu"
colourspace = "ACEScg"
fps = 25
"""


def test_a_file_beside_a_shot_sets_picture_settings_alone(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Our own rule, no outside source: a folder may come from anybody."""
    write_shot(tmp_path, frames=range(1001, 1003))
    (tmp_path / "verdigris.toml").write_text(EVIL)
    found = load_settings(beside=tmp_path)
    plain = load_settings()
    for name in Settings.model_fields:
        if name not in BESIDE_A_SHOT:
            assert getattr(found.settings, name) == getattr(plain.settings, name), name
    assert (found.settings.colourspace, found.settings.fps) == ("ACEScg", 25.0)
    assert "sets colourspace = 'ACEScg', fps = 25" in found.told
    assert "'host'" in found.told
    assert "'media_roots'" in found.told
    code = cli.run(["survey", str(tmp_path / "take.####.exr"), "--no-log", "--exit-zero"])
    assert code == 0
    assert "verdigris.toml sets colourspace" in capsys.readouterr().err


def test_an_unknown_word_beside_a_shot_stops_nothing(tmp_path: Path) -> None:
    """Our own rule, no outside source: what does not count there cannot be wrong there."""
    (tmp_path / "verdigris.toml").write_text("anything = 1\n")
    assert "'anything'" in load_settings(beside=tmp_path).told


def test_the_frame_rate_given_wins_over_the_files(tmp_path: Path) -> None:
    """Source: SMPTE ST 12-1: 23.976 is 24000/1001 frames a second."""
    pattern = write_shot(tmp_path, frames=range(1001, 1003))
    shot = open_shot(pattern, fps=23.976024)
    assert (shot.fps.numerator, shot.fps.denominator) == (24000, 1001)
