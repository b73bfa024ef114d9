"""The error of everything that reads or writes pictures."""

from __future__ import annotations

from kernels.errors import VerdigrisError


class MediaError(VerdigrisError):
    """A picture, sequence or movie cannot be read or written: which one, and what to do."""
