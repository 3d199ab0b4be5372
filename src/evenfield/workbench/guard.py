"""Who may talk to the workbench: this machine, this page, with this start's token; and what the page may load."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any

from evenfield.workbench.key import Keys

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

PROTOCOL = "evenfield-1"
"""Subprotocol of the socket; the token comes as a second one, `token.<TOKEN>`, a resume word as `resume.<WORD>`."""

DROP_LIMIT = 256 * 1024 * 1024
"""Bytes of one dropped file; larger ones are refused before they are read."""


class Guard:
    """Wraps an application: foreign hosts and origins get 403, every answer carries the page's security headers.

    Parameters
        app : what is guarded
        port : the one that is served
        keys : of this start
    """

    def __init__(self, app: App, port: int, keys: Keys) -> None:
        self.app, self.keys = app, keys
        self.hosts = {f"127.0.0.1:{port}", f"localhost:{port}"}
        self.origins = {f"http://{host}" for host in self.hosts}
        self.headers = [
            (b"content-security-policy", policy(port).encode()),
            (b"x-content-type-options", b"nosniff"),
            (b"referrer-policy", b"no-referrer"),
            (b"x-frame-options", b"DENY"),
            (b"cross-origin-opener-policy", b"same-origin"),
            (b"cross-origin-resource-policy", b"same-origin"),
            (b"permissions-policy", b"camera=(), geolocation=(), microphone=()"),
        ]

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass on what is ours, refuse the rest."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
        elif not self.is_ours(scope):
            await _refuse(scope, receive, send)
        else:
            await self.app(scope, receive, self._with_headers(send))

    def is_ours(self, scope: Scope) -> bool:
        """True for this machine's own page: the host is the one served; an origin, where given, is the page's."""
        found: dict[bytes, list[bytes]] = {}
        for name, value in scope["headers"]:
            found.setdefault(name.lower(), []).append(value)
        host = [v.decode("latin-1") for v in found.get(b"host", [])]
        origin = [v.decode("latin-1") for v in found.get(b"origin", [])]
        if len(host) != 1 or host[0] not in self.hosts or len(origin) > 1:
            return False
        if scope["type"] == "websocket":
            offered = scope.get("subprotocols") or []
            return origin[:1] == [f"http://{host[0]}"] and PROTOCOL in offered and self.holds_key(offered)
        return not origin or origin[0] == f"http://{host[0]}"

    def holds_key(self, offered: list[str]) -> bool:
        """True when one of the offered subprotocols is this start's token, or a page's resume word."""
        return any(self.keys.opens(o.removeprefix("token.")) for o in offered if o.startswith("token.")) or any(
            self.keys.resumes(o.removeprefix("resume.")) for o in offered if o.startswith("resume.")
        )

    def _with_headers(self, send: Send) -> Send:
        async def sending(event: MutableMapping[str, Any]) -> None:
            if event["type"] == "http.response.start":
                own = [(k.lower(), v) for k, v in event.get("headers", [])]
                names = {k for k, _ in own}
                event["headers"] = [*own, *(h for h in self.headers if h[0] not in names)]
            await send(event)

        return sending


def policy(port: int) -> str:
    """The page's Content-Security-Policy: only its own files, no inline code, no eval, its own socket."""
    sockets = f"ws://127.0.0.1:{port} ws://localhost:{port}"
    return (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; font-src 'self'; "
        f"connect-src 'self' {sockets}; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    )


REPORT_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; font-src data:; base-uri 'none'; form-action 'none'"
)
"""A report is one file with its styles inside; no script runs in it."""


async def _refuse(scope: Scope, receive: Receive, send: Send) -> None:
    if scope["type"] == "websocket":
        await receive()
        await send({"type": "websocket.close", "code": 4403, "reason": "not from this page"})
        return
    body = b"403: the workbench answers its own page only.\n"
    headers = [(b"content-type", b"text/plain; charset=utf-8"), (b"content-length", str(len(body)).encode())]
    await send({"type": "http.response.start", "status": 403, "headers": headers})
    await send({"type": "http.response.body", "body": body})
