"""What the server runs where people sign in: the same dashboard, behind the door.

Started through `dashboard.serve` by `dashboard.launch`, which says in the environment where the warehouse stands and
which identity provider there is, if any.
"""

from __future__ import annotations

import os
from pathlib import Path

from starlette.middleware import Middleware
from starlette.middleware.trustedhost import TrustedHostMiddleware
from streamlit import config
from streamlit.starlette import App

from dashboard.door.routes import routes
from dashboard.door.wall import Wall
from dashboard.launch import APP, WAREHOUSE_VARIABLE, accounts_of
from pipelines.access.provider import secrets_of

accounts = accounts_of(Path(os.environ[WAREHOUSE_VARIABLE]))
identity = secrets_of(os.environ)
# With an identity provider the page itself shows the way to it, so it must be served; what it shows is guarded below
# the pages all the same.
walls = [] if identity else [Middleware(Wall, accounts=accounts)]
# The server holds its own routes to these names, and ours are held to them too.
names = Middleware(
    TrustedHostMiddleware, allowed_hosts=list(config.get_option("server.allowedHosts")), www_redirect=False
)
app = App(
    str(APP),
    routes=routes(accounts),
    middleware=[names, *walls],
    secrets=identity or {},
)
