"""Movies written by the FFmpeg program: frames, order, values, rates, time code, flags, turn."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from server.media import open_shot
from server.media.movies import Movie
from server.media.timecode import advance, parse_timecode
from tests.interop.conftest import HEIGHT, WIDTH, picture, raw

Array = NDArray[Any]
Run = Callable[..., bytes]
pytestmark = pytest.mark.slow

H264 = ["-c:v", "libx264", "-qp", "4"]
INPUT = ["-f", "rawvideo", "-pix_fmt", "rgb48le"]
MATRIX = ["-vf", "scale=out_color_matrix=bt709:flags=accurate_rnd+full_chroma_int+bicubic",
          "-colorspace", "bt709", "-color_primaries", "bt709", "-color_trc", "bt709"]  # fmt: skip

KINDS = {
    "h264.mp4": [*H264, "-bf", "3", "-g", "6", "-pix_fmt", "yuv420p"],
    "h264.mov": [*H264, "-bf", "0", "-pix_fmt", "yuv422p"],
    "h264.mkv": [*H264, "-bf", "2", "-pix_fmt", "yuv444p"],
    "h264_10.mkv": [*H264, "-pix_fmt", "yuv422p10le"],
    "h264.avi": [*H264, "-bf", "3", "-g", "6", "-pix_fmt", "yuv420p"],
    "hevc.mp4": ["-c:v", "libx265", "-x265-params", "log-level=none:qp=4:bframes=3", "-pix_fmt",
                 "yuv420p10le", "-tag:v", "hvc1"],
    "prores422.mov": ["-c:v", "prores_ks", "-profile:v", "3", "-pix_fmt", "yuv422p10le"],
    "prores4444.mov": ["-c:v", "prores_ks", "-profile:v", "4", "-pix_fmt", "yuv444p10le"],
    "prores.mkv": ["-c:v", "prores_ks", "-pix_fmt", "yuv422p10le"],
    "dnxhr.mov": ["-c:v", "dnxhd", "-profile:v", "dnxhr_hqx", "-pix_fmt", "yuv422p10le"],
    "dnxhr.mxf": ["-c:v", "dnxhd", "-profile:v", "dnxhr_hqx", "-pix_fmt", "yuv422p10le"],
    "mpeg2.mxf": ["-c:v", "mpeg2video", "-q:v", "2", "-g", "5", "-bf", "2", "-pix_fmt", "yuv422p"],
    "mpeg4.avi": ["-c:v", "mpeg4", "-q:v", "2", "-bf", "2", "-pix_fmt", "yuv420p"],
    "mjpeg.avi": ["-c:v", "mjpeg", "-q:v", "2", "-pix_fmt", "yuvj422p"],
    "mjpeg.mov": ["-c:v", "mjpeg", "-q:v", "2", "-pix_fmt", "yuvj444p"],
    "ffv1.mkv": ["-c:v", "ffv1", "-pix_fmt", "yuv444p10le"],
    "vp9.webm": ["-c:v", "libvpx-vp9", "-b:v", "4M", "-g", "6", "-pix_fmt", "yuv420p"],
    "vp8.webm": ["-c:v", "libvpx", "-b:v", "4M", "-g", "6", "-pix_fmt", "yuv420p"],
}  # fmt: skip


def write(
    ffmpeg: Run, path: Path, frames: list[Array], *options: str, rate: str = "25",
    colour: list[str] = MATRIX,
) -> Path:  # fmt: skip
    size = f"{frames[0].shape[1]}x{frames[0].shape[0]}"
    given = [*INPUT, "-s", size, "-r", rate, "-i", "-", *colour, *options]
    ffmpeg(*given, path, data=raw(frames))
    return path


def read_by_ffmpeg(ffmpeg: Run, path: Path) -> Array:
    """Every frame as RGB (N, H, W, 3) in 0..1, by FFmpeg's own decoder and scaler."""
    flags = "scale=flags=accurate_rnd+full_chroma_int+full_chroma_inp+bicubic"
    data = ffmpeg(
        "-i", path, "-vf", flags, "-fps_mode", "passthrough", "-f", "rawvideo", "-pix_fmt",
        "rgb48le", "-",
    )  # fmt: skip
    frames = np.frombuffer(data, "<u2").astype(np.float64) / 65535
    return frames.reshape(-1, HEIGHT, WIDTH, 3)


@pytest.mark.parametrize("kind", KINDS)
def test_frames_order_and_values(ffmpeg: Run, tmp_path: Path, kind: str) -> None:
    """Source: the pictures that FFmpeg was given (within the codec's loss: 10 codes), and the same
    file read by FFmpeg itself (3 codes): 14 frames whose level rises by 6 codes, read out of order.
    """
    size = (256, 144) if "dnx" in kind else (WIDTH, HEIGHT)
    frames = [picture(n, size[1], size[0]) for n in range(14)]
    path = write(ffmpeg, tmp_path / kind, frames, *KINDS[kind])
    movie = Movie(path)
    assert (movie.frame_count, movie.missing_frames, movie.fps) == (14, [], 25)
    assert (movie.width, movie.height) == size
    inner = (slice(None), slice(3, -3), slice(3, -3))
    for number in [1, 7, 3, 14, 2, 9, 8, 13]:
        want = np.moveaxis(frames[number - 1], -1, 0) / 65535
        got = movie.read(number)[0]
        assert abs(float(got.mean() - want.mean())) < 1.5 / 255, number
        assert np.abs(got - want)[inner].max() < 10 / 255, number
    if size == (WIDTH, HEIGHT):
        theirs = read_by_ffmpeg(ffmpeg, path)
        assert len(theirs) == 14
        for number in (1, 8, 14):
            mine = np.moveaxis(movie.read(number)[0], 0, -1)
            worst = np.abs(mine - theirs[number - 1])[3:-3, 3:-3].max()
            assert worst < 3 / 255


RATES = ["24000/1001", "24", "25", "30000/1001", "30", "48", "50", "60000/1001", "60"]


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("ending", ["mov", "mp4", "mkv", "mxf"])
def test_rates_and_time_code(ffmpeg: Run, tmp_path: Path, rate: str, ending: str) -> None:
    """Source: SMPTE ST 12-1: the rate, and a time code track that FFmpeg writes, counted on; above
    30 frames a second the written words count pairs. Matroska has no such track, only a tag."""
    fps = Fraction(rate)
    if ending == "mxf" and rate not in ("24000/1001", "24", "25", "30000/1001", "50", "60000/1001"):
        pytest.skip("FFmpeg's MXF writer takes no such rate")
    drop = rate in ("30000/1001", "60000/1001")
    start = "01:00:59;20" if drop else "12:34:56:10"
    codec = ["-c:v", "mpeg2video", "-q:v", "2"] if ending == "mxf" else [*H264]
    if ending == "mxf" and rate == "50":
        codec += ["-g", "1"]
    options = [*codec, "-pix_fmt", "yuv420p" if ending != "mxf" else "yuv422p", "-timecode", start]
    frames = [picture(n % 8) for n in range(12)]
    shot = open_shot(write(ffmpeg, tmp_path / f"a.{ending}", frames, *options, rate=rate))
    assert shot.fps == fps
    first = parse_timecode(start)
    assert first is not None
    for number in (1, 2, 12):
        want = advance(first, number - 1, fps).words(fps)
        assert shot.read(number).attributes.get("timeCode") == want


@pytest.mark.parametrize("full", [False, True])
@pytest.mark.parametrize("matrix", ["bt709", "smpte170m", "bt470bg", "bt2020nc"])
@pytest.mark.parametrize("ending", ["mp4", "mkv", "mov"])
def test_matrix_and_range(
    ffmpeg: Run, tmp_path: Path, matrix: str, full: bool, ending: str
) -> None:
    """Source: the RGB that FFmpeg was given, turned to YCbCr by its scaler with a stated matrix and
    range (ITU-T H.273), at ten bits."""
    name = {"smpte170m": "bt601", "bt470bg": "bt601", "bt2020nc": "bt2020"}.get(matrix, matrix)
    ranges = "pc" if full else "tv"
    colour = ["-vf", f"scale=out_color_matrix={name}:out_range={ranges}:flags=accurate_rnd",
              "-colorspace", matrix, "-color_range", ranges]  # fmt: skip
    frames = [picture(4)]
    options = ["-c:v", "libx264", "-qp", "0", "-pix_fmt", "yuv444p10le"]
    movie = Movie(write(ffmpeg, tmp_path / f"a.{ending}", frames, *options, colour=colour))
    assert movie.signal.full_range is full
    want = np.moveaxis(frames[0], -1, 0) / 65535
    np.testing.assert_allclose(movie.read(1)[0], want, atol=4 / 1023)


SITES = {"left": (0.0, 0.5), "center": (0.5, 0.5), "topleft": (0.0, 0.0), "top": (0.5, 0.0),
         "bottomleft": (0.0, 1.0), "bottom": (0.5, 1.0)}  # fmt: skip


@pytest.mark.parametrize("site", SITES)
@pytest.mark.parametrize("codec", ["libx264", "libx265"])
def test_chroma_siting(ffmpeg: Run, tmp_path: Path, site: str, codec: str) -> None:
    """Source: ITU-T H.273, figure 1: a slope of chroma sampled at the stated places lies where it
    was (a quarter of a pixel off would be a quarter of its slope off)."""
    across, down = SITES[site]
    y, x = np.mgrid[0:18, 0:32] * 2.0
    slope = 2.0
    cb = np.rint(60 + slope * (x + across)).astype(np.uint8)
    cr = np.rint(70 + slope * (y + down)).astype(np.uint8)
    data = bytes(np.full((36, 64), 120, np.uint8)) + cb.tobytes() + cr.tobytes()
    extra = ["-x265-params", "log-level=none:lossless=1"] if codec == "libx265" else ["-qp", "0"]
    number = list(SITES).index(site)
    flag = {"libx264": "h264_metadata", "libx265": "hevc_metadata"}[codec]
    path = tmp_path / "a.mp4"
    ffmpeg(
        "-f", "rawvideo", "-pix_fmt", "yuv420p", "-s", "64x36", "-r", "25", "-i", "-", "-c:v",
        codec, *extra, "-bsf:v", f"{flag}=chroma_sample_loc_type={number}", path, data=data,
    )  # fmt: skip
    movie = Movie(path)
    assert movie.signal.siting == SITES[site]
    rgb = movie.read(1)[0]
    kr, kb = 0.299, 0.114
    luma = kr * rgb[0] + (1 - kr - kb) * rgb[1] + kb * rgb[2]
    got_cb = (rgb[2] - luma) / (2 - 2 * kb) * 224 + 128
    got_cr = (rgb[0] - luma) / (2 - 2 * kr) * 224 + 128
    place_x = (got_cb[18, 8:-8] - 60) / slope - np.arange(64)[8:-8]
    place_y = (got_cr[8:-8, 32] - 70) / slope - np.arange(36)[8:-8]
    assert abs(float(place_x.mean())) < 0.1
    assert abs(float(place_y.mean())) < 0.1


@pytest.mark.parametrize("turn", [0, 90, 180, 270])
def test_turned_movies(ffmpeg: Run, tmp_path: Path, turn: int) -> None:
    """Source: FFmpeg turns a movie upright by its display matrix; ours must agree."""
    plain = write(ffmpeg, tmp_path / "p.mp4", [picture(3)], *H264, "-pix_fmt", "yuv444p")
    path = tmp_path / "t.mp4"
    ffmpeg("-i", plain, "-c", "copy", "-metadata:s:v", f"rotate={turn}", path)
    size = (WIDTH, HEIGHT) if turn % 180 == 0 else (HEIGHT, WIDTH)
    data = ffmpeg("-i", path, "-f", "rawvideo", "-pix_fmt", "rgb48le", "-")
    theirs = np.frombuffer(data, "<u2").reshape(size[1], size[0], 3) / 65535
    movie = Movie(path)
    assert (movie.width, movie.height) == size
    np.testing.assert_allclose(np.moveaxis(movie.read(1)[0], 0, -1), theirs, atol=3 / 255)


def test_reel_name_and_pixel_aspect(ffmpeg: Run, tmp_path: Path) -> None:
    """Source: the QuickTime reel name and the sample aspect ratio that FFmpeg was told to write."""
    options = [*H264, "-pix_fmt", "yuv420p", "-timecode", "10:00:00:00", "-metadata:s:v",
               "reel_name=A001C002"]  # fmt: skip
    colour = ["-vf", "setsar=4/3"]
    path = write(ffmpeg, tmp_path / "a.mov", [picture()] * 2, *options, colour=colour)
    shot = open_shot(path)
    assert shot.metadata["reelName"] == "A001C002"
    assert shot.pixel_aspect == pytest.approx(4 / 3)


def test_deinterlacing_agrees_with_the_program(ffmpeg: Run, tmp_path: Path) -> None:
    """Source: the same filter in the FFmpeg program, run over the whole movie."""
    fields = []
    for n in range(16):
        field = picture(2)
        field[:, 2 * n + 5 : 2 * n + 15] = 50000
        fields.append(field)
    path = write(ffmpeg, tmp_path / "i.mov", fields, "-c:v", "prores_ks", "-pix_fmt",
                 "yuv422p10le", "-flags", "+ildct", rate="50",
                 colour=["-vf", "tinterlace=interleave_top,setfield=tff"])  # fmt: skip
    movie = Movie(path, deinterlace=True)
    whole = "bwdif=mode=send_frame:parity=auto:deint=all,format=yuv422p10le"
    data = ffmpeg("-i", path, "-vf", whole, "-f", "rawvideo", "-")
    luma = np.frombuffer(data, "<u2").reshape(movie.frame_count, -1)[:, : WIDTH * HEIGHT]
    for number in (4, 2, 7):
        rgb = movie.read(number)[0]
        kr, kb = (0.299, 0.114) if movie.signal.matrix in (5, 6) else (0.2126, 0.0722)
        mine = kr * rgb[0] + (1 - kr - kb) * rgb[1] + kb * rgb[2]
        theirs = (luma[number - 1].reshape(HEIGHT, WIDTH) / 4 - 16) / 219
        np.testing.assert_allclose(mine, theirs, atol=1.5 / 1023)
