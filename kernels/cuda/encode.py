"""JPEG on the card, without the picture leaving it, where nvImageCodec is installed."""

from __future__ import annotations

import logging
from typing import Any

log = logging.getLogger(__name__)


class JpegEncoder:
    """Encodes pictures in device memory; `works` is False where that cannot be done."""

    def __init__(self, stream: Any) -> None:
        self._stream = stream
        self._codec: Any = None
        self._encoder: Any = None
        self._params: dict[tuple[int, str], Any] = {}
        self._tried = False

    @property
    def works(self) -> bool:
        """Whether a picture can be encoded; finds out by encoding one."""
        if not self._tried:
            self._tried = True
            try:
                self._open()
            except Exception as error:
                log.info("JPEG is encoded on the processor: %s", error)
                self._encoder = None
        return self._encoder is not None

    def _open(self) -> None:
        import cupy
        from nvidia import nvimgcodec

        self._codec, self._encoder = nvimgcodec, nvimgcodec.Encoder()
        if not self.encode(cupy.zeros((16, 16, 3), cupy.uint8), 80, "420").startswith(b"\xff\xd8"):
            raise RuntimeError("nvImageCodec made no JPEG")

    def _params_of(self, quality: int, chroma: str) -> Any:
        key = (quality, chroma)
        if key not in self._params:
            codec = self._codec
            self._params[key] = codec.EncodeParams(
                quality_type=codec.QualityType.QUALITY,
                quality_value=quality,
                chroma_subsampling=getattr(codec.ChromaSubsampling, f"CSS_{chroma}"),
            )
        return self._params[key]

    def encode(self, picture: Any, quality: int, chroma: str = "420") -> bytes:
        """Return the JPEG of a (height, width, 3) picture in device memory.

        Raises RuntimeError when the encoder gives nothing back.
        """
        image = self._codec.as_image(picture, self._stream.ptr)
        made = self._encoder.encode(
            image, "jpeg", params=self._params_of(quality, chroma), cuda_stream=self._stream.ptr
        )
        if made is None:
            raise RuntimeError("the card's JPEG encoder gave nothing back")
        return bytes(memoryview(made))
