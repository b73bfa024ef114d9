"""The cookie that stands for a device: set, read and given back."""

from __future__ import annotations

from collections.abc import Mapping

from starlette.requests import cookie_parser
from starlette.responses import Response

from server.security import DEVICE_LIFE_S


def cookie_name(port: int) -> str:
    """Return the cookie's name: cookies are shared by all ports of a host, so it has the port."""
    return f"verdigris_{port}"


def set_cookie(response: Response, name: str, token: str, *, secure: bool) -> None:
    """Have a device keep its token. secure: it is sent over TLS only."""
    life_s = int(DEVICE_LIFE_S)
    response.set_cookie(
        name, token, max_age=life_s, secure=secure, httponly=True, samesite="strict"
    )


def drop_cookie(response: Response, name: str) -> None:
    """Have a device forget its token."""
    response.delete_cookie(name, httponly=True, samesite="strict")


def read_cookie(headers: Mapping[str, str], name: str) -> str | None:
    """Return the value of our cookie; None if it is missing or there are two different ones.

    A page of another port or a sub-domain may set a second one: it must not decide who this is.
    """
    pairs = (cookie_parser(pair) for pair in headers.get("cookie", "").split(";"))
    found = {pair[name] for pair in pairs if pair.get(name)}
    return found.pop() if len(found) == 1 else None
