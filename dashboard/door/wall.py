"""Nothing is served to somebody who is not signed in: no page, picture, download or live connection."""

from __future__ import annotations

from http.cookies import CookieError, SimpleCookie
from typing import TYPE_CHECKING

from starlette.concurrency import run_in_threadpool
from starlette.responses import PlainTextResponse

from dashboard.door.routes import INVITATION, SIGN_IN, led_to_sign_in
from pipelines.access.accounts import COOKIE

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Receive, Scope, Send

    from pipelines.access.accounts import Accounts

HEALTH = "/_stcore/health"
POLICY_VIOLATION = 1008


class Wall:
    """Lets a request through when its cookie is a session of somebody admitted at this moment.

    Args:
        app: what stands behind it. accounts: who is admitted.
    """

    def __init__(self, app: ASGIApp, accounts: Accounts) -> None:
        self.app, self.accounts = app, accounts

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve, lead to the sign-in, or refuse."""
        if scope["type"] not in ("http", "websocket") or self._open_to_all(scope["path"]):
            await self.app(scope, receive, send)
            return
        if await run_in_threadpool(self.accounts.who, session(scope)) is not None:
            await self.app(scope, receive, send)
        elif scope["type"] == "websocket":
            await receive()
            await send({"type": "websocket.close", "code": POLICY_VIOLATION})
        elif scope["method"] in ("GET", "HEAD") and "." not in scope["path"].rpartition("/")[2]:
            query = scope["query_string"].decode("latin-1")
            asked = scope["path"] + (f"?{query}" if query else "")
            await led_to_sign_in(asked)(scope, receive, send)
        else:
            await PlainTextResponse("Sign in first.", 401)(scope, receive, send)

    @staticmethod
    def _open_to_all(path: str) -> bool:
        return path in (SIGN_IN, HEALTH) or (path.startswith(INVITATION) and path.count("/") == 2)


def session(scope: Scope) -> str:
    """The session's token in a request's cookies; empty where there is none."""
    for name, value in scope["headers"]:
        if name == b"cookie":
            try:
                found = SimpleCookie(value.decode("latin-1")).get(COOKIE)
            except CookieError:
                continue
            if found is not None:
                return found.value
    return ""
