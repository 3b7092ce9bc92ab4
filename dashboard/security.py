"""Who may talk to the local server: Host, Origin, token and what a page may load.

Threats and answers
- A page in another tab calls the server: POST needs JSON and the server's own Origin; reads are refused when the
  browser says that another site asks; nothing is ever shared across origins.
- DNS rebinding (a name of the attacker's that turns into 127.0.0.1): the Host header must be an address or one of
  our own names, never a foreign name.
- A stranger on the same network: an address other than loopback is served only to devices that redeemed a one-time
  token of 256 bits; the cookie it is changed for is HttpOnly and SameSite=Strict and lives in memory only.
- HTML in a name or a file: the content security policy lets no script run that the server did not ship.
"""

from __future__ import annotations

import hmac
import ipaddress
import secrets
import socket
from collections.abc import Callable, Iterable
from urllib.parse import urlencode, urlsplit

from flask import Flask, Request, Response, jsonify, redirect, request

COOKIE = "evenburn_device"
TOKEN_BYTES = 32
LARGEST_REQUEST_BYTES = 2_000_000
LOOPBACK_NAMES = frozenset({"localhost", "127.0.0.1", "::1"})


def is_loopback(host: str) -> bool:
    """Whether `host` (a name or an address) can be reached from this machine only."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


class Door:
    """Lets devices in: a token opens once and is changed for a cookie; None of either is written anywhere.

    `needs_token` False (loopback) lets every request through.
    """

    def __init__(self, needs_token: bool) -> None:
        self.needs_token = needs_token
        self._tokens: list[str] = []
        self._cookies: list[str] = []

    def invite(self) -> str:
        """A new one-time token for one more device."""
        token = secrets.token_urlsafe(TOKEN_BYTES)
        self._tokens.append(token)
        return token

    def redeem(self, token: str) -> str | None:
        """The cookie value for `token`, which is spent by this; None for a wrong or spent one."""
        known = _find(token, self._tokens)
        if known is None:
            return None
        self._tokens.remove(known)
        cookie = secrets.token_urlsafe(TOKEN_BYTES)
        self._cookies.append(cookie)
        return cookie

    def knows(self, cookie: str | None) -> bool:
        """Whether a device with this cookie has been let in."""
        return not self.needs_token or (cookie is not None and _find(cookie, self._cookies) is not None)


def _find(given: str, known: Iterable[str]) -> str | None:
    """The entry of `known` that equals `given`, each compared in constant time and all of them compared."""
    found = None
    for entry in known:
        if hmac.compare_digest(entry.encode(), given.encode()):
            found = entry
    return found


def allowed_host(header: str | None, served_on: str) -> bool:
    """Whether a Host header is an address literal, loopback or this machine's own name.

    Rebinding needs a name that an attacker owns, so any address literal is safe where the server listens beyond
    loopback; on loopback only loopback's own names are.
    """
    try:
        name = urlsplit(f"//{header or ''}").hostname
    except ValueError:
        return False
    if name is None:
        return False
    if name in LOOPBACK_NAMES:
        return True
    if is_loopback(served_on):
        return False
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return name in {
            socket.gethostname().lower(),
            f"{socket.gethostname().lower()}.local",
            served_on.lower(),
        }
    return True


def refusal(asked: Request, door: Door, served_on: str) -> tuple[str, int] | None:
    """Why a request is turned away (text, HTTP status), or None if it may pass. Never names a token."""
    if not allowed_host(asked.headers.get("Host"), served_on):
        return "This address is not one of this server's own.", 421
    if asked.method not in {"GET", "HEAD", "POST"}:
        return "Only GET and POST are used here.", 405
    if asked.headers.get("Sec-Fetch-Site") in {"cross-site", "same-site"} and not _is_navigation(asked):
        return "Another site may not read from here.", 403
    if asked.method == "POST":
        if asked.headers.get("Origin") != f"{asked.scheme}://{asked.headers.get('Host')}":
            return "Only this server's own pages may send.", 403
        if asked.mimetype != "application/json":
            return "Only JSON is accepted.", 415
    if not door.knows(asked.cookies.get(COOKIE)):
        return (
            "This device has not been let in. Open the link that the server printed, or ask for a new one.",
            403,
        )
    return None


def _is_navigation(asked: Request) -> bool:
    return bool(asked.method == "GET" and asked.headers.get("Sec-Fetch-Mode") == "navigate")


def content_policy(script_hashes: Iterable[str]) -> str:
    """The Content-Security-Policy of every page: own files only; inline style is what plotly draws with."""
    scripts = " ".join(["'self'", *script_hashes])
    return (
        f"default-src 'self'; script-src {scripts}; style-src 'self' 'unsafe-inline'; img-src 'self' data:; "
        "object-src 'none'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
    )


def guard(server: Flask, door: Door, served_on: str, script_hashes: Callable[[], Iterable[str]]) -> None:
    """Put the checks before, and the protecting headers after, every request of `server`.

    script_hashes: asked at each page, since the hashes are complete only once the application is set up.
    """
    server.config["MAX_CONTENT_LENGTH"] = LARGEST_REQUEST_BYTES

    def check() -> Response | tuple[str, int] | None:
        token = request.args.get("token")
        if token is not None and allowed_host(request.headers.get("Host"), served_on):
            cookie = door.redeem(token)
            if cookie is not None:
                return _let_in(cookie)
        return refusal(request, door, served_on)

    def protect(response: Response) -> Response:
        hashes = script_hashes() if response.mimetype == "text/html" else ()
        response.headers["Content-Security-Policy"] = content_policy(hashes)
        response.headers["X-Content-Type-Options"] = "nosniff"
        response.headers["Referrer-Policy"] = "no-referrer"
        response.headers["Cross-Origin-Resource-Policy"] = "same-origin"
        response.headers["Cross-Origin-Opener-Policy"] = "same-origin"
        return response

    # first in line: Dash has already put its own hooks there
    server.before_request_funcs.setdefault(None, []).insert(0, check)
    server.after_request(protect)


def register_invitation(server: Flask, door: Door) -> None:
    """The route by which a device that has been let in asks for a link for one more; POST, so that no link does it."""

    def invite() -> Response:
        return jsonify(path=f"/?token={door.invite()}" if door.needs_token else "/")

    server.add_url_rule("/invite", "invite", invite, methods=["POST"])


def _let_in(cookie: str) -> Response:
    """Send the device on to the page it asked for, without the token in the address, with its cookie."""
    rest = [(key, value) for key, value in request.args.items(multi=True) if key != "token"]
    # one slash: "//name" would be another host
    response = redirect("/" + request.path.lstrip("/\\") + (f"?{urlencode(rest)}" if rest else ""), 303)
    response.set_cookie(COOKIE, cookie, httponly=True, samesite="Strict")
    return response
