"""The one error type whose message is meant for the person at the screen."""

from __future__ import annotations


class VerdigrisError(Exception):
    """One clear sentence: what is wrong, with which file or parameter, and what to do about it."""


class StoppedError(VerdigrisError):
    """Somebody stopped the work; the sentence says what is kept."""
