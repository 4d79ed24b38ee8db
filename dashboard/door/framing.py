"""No page of another origin may show the dashboard inside itself, where it could lead a person's clicks.

Content Security Policy Level 3 (W3C), frame-ancestors; X-Frame-Options (RFC 7034) for browsers that know only that.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

HEADERS = (
    # added to a policy that stands there already: a browser holds a page to all of them
    (b"content-security-policy", b"frame-ancestors 'self'"),
    (b"x-frame-options", b"SAMEORIGIN"),
    (b"x-content-type-options", b"nosniff"),
)


class Unframed:
    """Says with every answer that it may be framed by our own pages only.

    Args:
        app: what stands behind it.
    """

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve, with our headers."""

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                message = {**message, "headers": [*message.get("headers", ()), *HEADERS]}
            await send(message)

        await self.app(scope, receive, with_headers)
