"""Movies made by PyAV: counts, order, flags, turns, alpha, time code; and what is refused."""

from __future__ import annotations

import random
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
from numpy.typing import NDArray

from server.media import MediaError, load_colour, open_shot
from server.media.movies import Movie

Array = NDArray[Any]
Maker = Callable[..., Path]
Frames = Callable[[int], list[Array]]

CODECS = {
    "h264.mp4": ("libx264", "yuv420p", {"bf": "3", "g": "12"}, 8, "4:2:0"),
    "h264.mkv": ("libx264", "yuv420p", {"bf": "3", "g": "12"}, 8, "4:2:0"),
    "opengop.mp4": (
        "libx264", "yuv420p", {"x264-params": "open-gop=1:bframes=3:keyint=8:min-keyint=8"}, 8,
        "4:2:0",
    ),
    "hevc.mov": (
        "libx265", "yuv422p10le", {"x265-params": "log-level=none:keyint=8:bframes=3"}, 10,
        "4:2:2",
    ),
    "hevc12.mkv": (
        "libx265", "yuv444p12le", {"x265-params": "log-level=none:keyint=8"}, 12, "4:4:4",
    ),
    "prores.mov": ("prores_ks", "yuv422p10le", {}, 10, "4:2:2"),
    "dnxhr.mov": ("dnxhd", "yuv422p", {"profile": "dnxhr_sq"}, 8, "4:2:2"),
    "dnxhr444.mov": ("dnxhd", "yuv444p10le", {"profile": "dnxhr_444"}, 10, "4:4:4"),
    "mjpeg.mov": ("mjpeg", "yuvj422p", {"q": "2"}, 8, "4:2:2"),
    "mjpeg.avi": ("mjpeg", "yuvj420p", {"q": "2"}, 8, "4:2:0"),
}  # fmt: skip


def code_of(movie: Movie, number: int) -> float:
    """The mean of a frame in 8-bit codes."""
    return float(movie.read(number)[0].mean()) * 255


@pytest.mark.parametrize("name", CODECS)
def test_every_frame_in_its_place(make_movie: Maker, numbered_frames: Frames, name: str) -> None:
    """Source: PyAV's encoders; each frame's grey is 20 + 5 n, so a frame taken for its neighbour
    is five codes off. Read in order, backwards, and at random."""
    codec, pix_fmt, options, bits, chroma = CODECS[name]
    path = make_movie(name, numbered_frames(30), codec=codec, pix_fmt=pix_fmt, options=options)
    movie = Movie(path)
    assert (movie.frame_count, movie.missing_frames, movie.fps) == (30, [], 24)
    assert (movie.bits, movie.chroma, movie.width, movie.height) == (bits, chroma, 256, 144)
    order = list(range(1, 31))
    shuffled = random.Random(1).sample(order, 30)
    for number in [*order, *reversed(order), *shuffled]:
        assert abs(code_of(movie, number) - (20 + 5 * (number - 1))) < 2


def test_two_threads_share_a_movie(make_movie: Maker, numbered_frames: Frames) -> None:
    """Common practice, no source."""
    movie = Movie(make_movie("a.mp4", numbered_frames(20), options={"bf": "2", "g": "6"}))
    with ThreadPoolExecutor(4) as pool:
        means = list(pool.map(lambda n: code_of(movie, n), range(1, 21)))
    assert max(abs(m - (20 + 5 * n)) for n, m in enumerate(means)) < 2


@pytest.mark.parametrize("rate", [Fraction(24000, 1001), Fraction(25), Fraction(60000, 1001)])
@pytest.mark.parametrize("name", ["a.mp4", "a.mkv"])
def test_frame_rates_are_exact(
    make_movie: Maker, numbered_frames: Frames, rate: Fraction, name: str
) -> None:
    """Source: SMPTE ST 12-1 rates; Matroska stores rounded nanoseconds."""
    assert open_shot(make_movie(name, numbered_frames(5), rate=rate)).fps == rate


@pytest.mark.parametrize("full_range", [False, True])
@pytest.mark.parametrize(("matrix", "scaler"), [(1, "bt709"), (5, "bt601"), (9, "bt2020")])
def test_range_and_matrix_flags_are_honoured(
    make_movie: Maker, full_range: bool, matrix: int, scaler: str
) -> None:
    """Source: ITU-T H.273 flags; a saturated colour made by hand with the flagged matrix."""
    kr, kb = {1: (0.2126, 0.0722), 5: (0.299, 0.114), 9: (0.2627, 0.0593)}[matrix]
    rgb = np.array([0.2, 0.75, 0.35])
    y = kr * rgb[0] + (1 - kr - kb) * rgb[1] + kb * rgb[2]
    cb, cr = (rgb[2] - y) / (2 - 2 * kb), (rgb[0] - y) / (2 - 2 * kr)
    codes = [255 * y, 255 * cb + 128, 255 * cr + 128]
    if not full_range:
        codes = [219 * y + 16, 224 * cb + 128, 224 * cr + 128]
    frame = av.VideoFrame(64, 48, "yuv444p")
    for plane, code in zip(frame.planes, codes, strict=True):
        plane.update(np.full((48, plane.line_size), round(code), np.uint8).tobytes())

    def setup(stream: Any) -> None:
        stream.codec_context.color_range = 2 if full_range else 1
        stream.codec_context.colorspace = matrix

    path = make_movie("a.mp4", [frame], pix_fmt="yuv444p", options={"qp": "0"}, setup=setup)
    movie = Movie(path)
    assert (movie.signal.matrix, movie.signal.full_range) == (matrix, full_range), scaler
    np.testing.assert_allclose(movie.read(1)[0][:, 24, 32], rgb, atol=1.2 / 219)


@pytest.mark.parametrize(("height", "matrix"), [(480, 6), (720, 1)])
def test_matrix_of_untagged_movies(make_movie: Maker, height: int, matrix: int) -> None:
    """Common practice, no source: standard definition is BT.601, anything larger BT.709."""
    frames = [np.full((height, 64, 3), 80, np.uint8)]
    assert Movie(make_movie("a.mp4", frames)).signal.matrix == matrix


@pytest.mark.parametrize(
    ("transfer", "primaries", "space", "origin"),
    [
        (1, 1, "Camera Rec.709", "metadata"),
        (14, 9, "Camera Rec.2020", "metadata"),
        (13, 1, "sRGB Encoded Rec.709 (sRGB)", "metadata"),
        (8, 9, "Linear Rec.2020", "metadata"),
        (16, 9, "Rec.2100-PQ - Display", "metadata"),
        (2, 2, "Rec.1886 Rec.709 - Display", "file rule"),
    ],
)
def test_transfer_and_primaries_flags_choose_the_space(
    make_movie: Maker,
    numbered_frames: Frames,
    transfer: int,
    primaries: int,
    space: str,
    origin: str,
) -> None:
    """Source: ITU-T H.273 tables 2 and 3; the file rule is the built-in studio config's."""

    def setup(stream: Any) -> None:
        stream.codec_context.color_trc = transfer
        stream.codec_context.color_primaries = primaries

    shot = open_shot(make_movie("a.mp4", numbered_frames(2), setup=setup))
    assert (shot.colourspace, shot.colourspace_origin) == (space, origin)


def test_a_movie_is_read_to_linear_light(make_movie: Maker) -> None:
    """Source: ITU-R BT.709-6 transfer curve by hand: V = 0.5 is L = ((0.5 + 0.099) / 1.099)^2.2."""

    def setup(stream: Any) -> None:
        stream.codec_context.color_trc = 1
        stream.codec_context.color_primaries = 1

    frames = [np.full((48, 64, 3), 128, np.uint8)]
    shot = open_shot(make_movie("a.mp4", frames, options={"qp": "0"}, setup=setup))
    expected = ((128 / 255 + 0.099) / 1.099) ** (1 / 0.45)
    np.testing.assert_allclose(shot.read(1).pixels.mean((1, 2)), expected, rtol=0.02)
    assert shot.working_space == load_colour().working_space


@pytest.mark.parametrize("degrees", [0, 90, 180, 270])
def test_rotation_is_honoured(make_movie: Maker, degrees: int) -> None:
    """Source: PyAV's own display-matrix writer, counterclockwise degrees; checked against where
    NumPy puts a bright corner."""
    picture = np.full((48, 64, 3), 30, np.uint8)
    picture[:12, :16] = 220

    def setup(stream: Any) -> None:
        stream.set_display_rotation(degrees)

    movie = Movie(make_movie("a.mp4", [picture], options={"qp": "0"}, setup=setup))
    expected = np.rot90(picture[..., 1], degrees // 90) / 255
    assert (movie.height, movie.width) == expected.shape
    assert np.abs(movie.read(1)[0][1] - expected).max() < 0.02


def test_alpha_of_prores_4444(make_movie: Maker) -> None:
    """Source: ProRes 4444 by PyAV's encoder: alpha is straight and full range."""
    frame = av.VideoFrame(64, 48, "yuva444p10le")
    for plane, code in zip(frame.planes, (502, 512, 512, 300), strict=True):
        plane.update(np.full((48, plane.line_size // 2), code, "<u2").tobytes())
    options = {"profile": "4444", "alpha_bits": "16"}
    path = make_movie("a.mov", [frame], codec="prores_ks", pix_fmt="yuva444p10le", options=options)
    used = open_shot(path, plate_alpha="use").read(1)
    assert used.alpha is not None
    np.testing.assert_allclose(used.alpha, 300 / 1023, atol=0.002)
    assert open_shot(path).read(1).alpha is None


def test_time_code_counts_on_from_the_start(tmp_path: Path, numbered_frames: Frames) -> None:
    """Source: SMPTE ST 12-1; the time-code track is written by PyAV's QuickTime writer."""
    path = tmp_path / "a.mov"
    with av.open(str(path), "w") as container:
        container.metadata["timecode"] = "10:00:00:23"
        stream = container.add_stream("libx264", rate=24)
        stream.width, stream.height, stream.pix_fmt = 256, 144, "yuv420p"
        for picture in numbered_frames(3):
            container.mux(stream.encode(av.VideoFrame.from_ndarray(picture, "rgb24")))
        container.mux(stream.encode(None))
    shot = open_shot(path)
    assert shot.read(1).attributes["timeCode"] == (0x10000023, 0)
    assert shot.read(2).attributes["timeCode"] == (0x10000100, 0)


def test_pixel_aspect(make_movie: Maker, numbered_frames: Frames) -> None:
    """Source: ITU-T H.264 annex E, sample aspect ratio."""

    def setup(stream: Any) -> None:
        stream.codec_context.sample_aspect_ratio = Fraction(2, 1)

    assert open_shot(make_movie("a.mp4", numbered_frames(2), setup=setup)).pixel_aspect == 2.0


def test_interlaced_material_is_refused_with_the_remedy(
    make_movie: Maker, numbered_frames: Frames
) -> None:
    """Source: ITU-T H.264, field pictures in frames (MBAFF)."""
    path = make_movie("a.mp4", numbered_frames(4), options={"x264-params": "tff=1"})
    with pytest.raises(MediaError, match=r"a\.mp4.*interlaced; deinterlace it.*--deinterlace"):
        open_shot(path)


def test_a_movie_without_frames(tmp_path: Path) -> None:
    """Common practice, no source."""
    path = tmp_path / "empty.mov"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=24)
        stream.width, stream.height, stream.pix_fmt = 64, 48, "yuv420p"
        container.start_encoding()
    with pytest.raises(MediaError, match=r"empty\.mov"):
        open_shot(path)


def test_a_file_without_pictures(tmp_path: Path) -> None:
    """Common practice, no source."""
    path = tmp_path / "sound.mov"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("pcm_s16le", rate=48000)
        sound = av.AudioFrame.from_ndarray(np.zeros((1, 4800), np.int16), "s16", "mono")
        sound.sample_rate = 48000
        container.mux(stream.encode(sound))
        container.mux(stream.encode(None))
    with pytest.raises(MediaError, match=r"sound\.mov.*no picture track"):
        open_shot(path)


def test_a_playlist_named_like_a_movie_opens_nothing_else(tmp_path: Path) -> None:
    """Common practice, no source: a media file must not make the reader fetch other addresses."""
    path = tmp_path / "list.mp4"
    path.write_text("#EXTM3U\n#EXT-X-TARGETDURATION:1\n#EXTINF:1,\nfile:///etc/hostname\n")
    with pytest.raises(MediaError, match=r"list\.mp4.*not a readable movie"):
        open_shot(path)


@pytest.mark.parametrize(
    ("codec", "pix_fmt"), [("libx264", "yuv420p"), ("prores_ks", "yuv422p10le")]
)
def test_frames_lost_off_the_end_are_missing_frames(
    make_movie: Maker, numbered_frames: Frames, codec: str, pix_fmt: str
) -> None:
    """Common practice, no source: a copy that stopped keeps the frames it has."""
    rng = np.random.default_rng(0)
    frames = [f + rng.integers(0, 90, f.shape).astype(np.uint8) for f in numbered_frames(20)]
    path = make_movie("a.mov", frames, codec=codec, pix_fmt=pix_fmt)
    with (
        av.open(str(path)) as source,
        av.open(str(path.with_name("b.mov")), "w", options={"movflags": "faststart"}) as target,
    ):
        stream = target.add_stream_from_template(source.streams.video[0])
        for packet in source.demux(source.streams.video[0]):
            if packet.dts is not None:
                packet.stream = stream
                target.mux(packet)
    data = path.with_name("b.mov").read_bytes()
    cut = path.with_name("cut.mov")
    cut.write_bytes(data[: len(data) * 2 // 3])
    shot = open_shot(cut, missing="hold")
    assert shot.frames == list(range(1, 21))
    assert 1 < len(shot.missing_frames) < 15
    whole = open_shot(path)
    for number in set(shot.frames) - set(shot.missing_frames):
        np.testing.assert_array_equal(shot.read(number).pixels, whole.read(number).pixels)
    last = max(set(shot.frames) - set(shot.missing_frames))
    held = shot.read(20)
    assert held.held
    np.testing.assert_array_equal(held.pixels, shot.read(last).pixels)
    with pytest.raises(MediaError, match="frame 20 is missing"):
        open_shot(cut).read(20)


@pytest.mark.parametrize("options", [{"bf": "3", "g": "12"}, {"bf": "2", "g": "8", "qp": "10"}])
def test_reordered_frames_without_presentation_times(
    make_movie: Maker, numbered_frames: Frames, options: dict[str, str]
) -> None:
    """Source: PyAV's H.264 encoder and AVI, which has decoding times only: the frames in the order
    in which the decoder gives them, read in order, backwards, and at random."""
    movie = Movie(make_movie("a.avi", numbered_frames(30), options=options))
    assert (movie.frame_count, movie.missing_frames) == (30, [])
    assert "no presentation times" in movie.remarks[0]
    order = list(range(1, 31))
    for number in [*order, *reversed(order), *random.Random(1).sample(order, 12)]:
        assert abs(code_of(movie, number) - (20 + 5 * (number - 1))) < 2


@pytest.mark.parametrize(
    ("name", "codec", "options"),
    [
        ("a.mkv", "libx264", {"g": "4", "bf": "0"}),
        ("b.mkv", "libx264", {"g": "6", "bf": "2"}),
        ("a.mxf", "mpeg2video", {"g": "4"}),
        ("a.webm", "libvpx-vp9", {"g": "4"}),
        ("a.avi", "mjpeg", {}),
    ],
)
def test_a_movie_cut_short_is_told(
    make_movie: Maker, name: str, codec: str, options: dict[str, str]
) -> None:
    """Common practice, no source: the length that the file declares against the frames that are
    there; a whole movie says nothing."""
    rng = np.random.default_rng(4)
    noise = [rng.integers(0, 255, (48, 64, 3), np.uint8) for _ in range(30)]
    pix_fmt = "yuvj420p" if codec == "mjpeg" else "yuv420p"
    path = make_movie(name, noise, codec=codec, pix_fmt=pix_fmt, rate=25, options=options)
    whole = open_shot(path)
    assert (len(whole.frames), whole.missing_frames, whole.remarks) == (30, [], ())
    data = path.read_bytes()
    path.write_bytes(data[: len(data) * 6 // 10])
    cut = open_shot(path, missing="hold")
    assert len(cut.frames) == 30
    assert 5 <= len(cut.missing_frames) <= 20
    assert cut.missing_frames == list(range(cut.missing_frames[0], 31))
    assert f"{len(cut.missing_frames)} of 30 frames are missing" in cut.remarks[0]
    assert cut.read(30).held


def interlaced_movie(make_movie: Maker, count: int = 8) -> tuple[Path, list[Array]]:
    """Fields of a bar that moves five pixels each, bottom field first; and the bars' pictures."""
    fields = []
    for n in range(2 * count):
        picture = np.full((64, 128, 3), 40, np.uint8)
        picture[:, 10 + 5 * n : 22 + 5 * n] = 200
        fields.append(picture)
    frames = []
    for n in range(count):
        woven = fields[2 * n + 1].copy()
        woven[1::2] = fields[2 * n][1::2]
        frames.append(woven)

    def setup(stream: Any) -> None:
        stream.codec_context.flags |= 1 << 18  # interlaced coding

    options = {"x264-params": "bff=1", "qp": "4", "bf": "2", "g": "6"}
    return make_movie("i.mp4", frames, options=options, setup=setup), fields[::2]


def test_interlaced_material_is_made_whole_on_request(make_movie: Maker) -> None:
    """Source: the pictures that the fields were cut from; a frame as stored is combed, one made
    whole is the picture of its first field, read in any order."""
    path, wanted = interlaced_movie(make_movie)
    with pytest.raises(MediaError, match="--deinterlace"):
        open_shot(path)
    shot = open_shot(path, deinterlace=True)
    assert any("bwdif" in remark for remark in shot.remarks)
    movie = Movie(path, deinterlace=True)
    stored = [
        np.asarray(f.to_ndarray(format="gray"), float) for f in av.open(str(path)).decode(video=0)
    ]
    for number in [4, 2, 3, 6, 5, 1, 8]:
        read = movie.read(number)[0].mean(axis=0) * 255
        truth = wanted[number - 1].mean(axis=-1)
        comb = np.abs(np.diff(stored[number - 1], axis=0)).mean()
        error = np.abs(read - truth).mean()
        assert comb > 8
        assert np.abs(np.diff(read[8:-8], axis=0)).mean() < comb / 4
        assert error < 5


def test_a_whole_movie_is_left_alone_by_the_option(
    make_movie: Maker, numbered_frames: Frames
) -> None:
    """Our own rule, no outside source."""
    path = make_movie("a.mp4", numbered_frames(4))
    plain, asked = Movie(path), Movie(path, deinterlace=True)
    np.testing.assert_array_equal(plain.read(2)[0], asked.read(2)[0])
