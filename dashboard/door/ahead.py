"""A browser is told what its first page will need, so that it fetches that while the page's script runs.

The server's front end asks for its parts that draw charts and tables only when the first of them arrives.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import streamlit

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

PARTS = ("embed", "ArrowVegaLiteChart", "loadVegaEmbed", "arrowFormatUtils", "DataFrame")
SCRIPTS = Path(streamlit.__file__).parent / "static" / "static" / "js"


@cache
def link() -> bytes:
    """The header's value (RFC 8288); empty where the front end calls its parts otherwise."""
    found = [path.name for part in PARTS for path in sorted(SCRIPTS.glob(f"{part}.*.js"))]
    return ", ".join(
        f"</static/js/{name}>; rel=modulepreload; as=script; crossorigin" for name in found
    ).encode()


class Ahead:
    """Adds that header to the dashboard's own document.

    Args:
        app: what stands behind it.
    """

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve, and name the parts beside the document."""

        async def told(message: Message) -> None:
            if message["type"] == "http.response.start" and link():
                document = any(
                    name == b"content-type" and value.startswith(b"text/html")
                    for name, value in message["headers"]
                )
                if document and message["status"] == 200:
                    message["headers"] = [*message["headers"], (b"link", link())]
            await send(message)

        await self.app(scope, receive, told if scope["type"] == "http" else send)
