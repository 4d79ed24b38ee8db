"""What the server runs: the dashboard for callers who name this server rightly, behind the door where people sign in.

Started through `dashboard.serve` by `dashboard.launch`, which says in the environment where the warehouse stands,
whether people sign in, and which identity provider there is, if any.
"""

from __future__ import annotations

import asyncio
import os
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

from starlette.middleware import Middleware
from starlette.middleware.trustedhost import TrustedHostMiddleware
from streamlit import config
from streamlit.starlette import App

from dashboard import warm
from dashboard.door.framing import Unframed
from dashboard.door.routes import routes
from dashboard.door.wall import Wall
from dashboard.launch import APP, SIGN_IN_VARIABLE, WAREHOUSE_VARIABLE, accounts_of
from pipelines.access.provider import secrets_of

sign_in = bool(os.environ.get(SIGN_IN_VARIABLE))
accounts = accounts_of(Path(os.environ[WAREHOUSE_VARIABLE]))
identity = secrets_of(os.environ) if sign_in else None
# With an identity provider the page itself shows the way to it, so it must be served; what it shows is guarded below
# the pages all the same.
walls = [Middleware(Wall, accounts=accounts)] if sign_in and not identity else []
# The server holds its live connections and uploads to these names; everything else is held to them here.
names = Middleware(
    TrustedHostMiddleware, allowed_hosts=list(config.get_option("server.allowedHosts")), www_redirect=False
)


@asynccontextmanager
async def _while_it_runs(_: App) -> AsyncIterator[None]:
    warm.start(asyncio.get_running_loop())
    yield


app = App(
    str(APP),
    routes=routes(accounts) if sign_in else [],
    middleware=[Middleware(Unframed), names, *walls],
    lifespan=_while_it_runs,
    secrets=identity or {},
)
