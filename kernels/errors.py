"""The one error type whose message is meant for the person at the screen."""

from __future__ import annotations

import sys

EXTRAS = {
    "cupy": "with an NVIDIA card, pip install '.[gpu]' adds it",
    "playwright": "pip install '.[test]' adds it",
    "pymatting": "pip install '.[test]' adds it",
}
"""How packages that not everybody needs are installed, from the folder of this program."""


class VerdigrisError(Exception):
    """One clear sentence: what is wrong, with which file or parameter, and what to do about it."""


class StoppedError(VerdigrisError):
    """Somebody stopped the work; the sentence says what is kept."""


def not_installed(error: ImportError) -> str:
    """Return which package is missing and how it is installed, or else the error's own words."""
    package = (error.name or "").partition(".")[0]
    if not isinstance(error, ModuleNotFoundError) or not package:
        return str(error)
    if package in sys.stdlib_module_names:
        return f"this system has no '{package}'"
    remedy = EXTRAS.get(package, f"pip install {package} adds it")
    return f"the package '{package}' is not installed; {remedy}"
