"""Sign-in, sign-out and one-time links, as plain pages beside the dashboard's own.

They are forms without any script, so that a password never passes through a live page; the session's token stands
in a cookie no script can read (RFC 6265: HttpOnly, SameSite) and only its hash in the accounts.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import quote, urlsplit

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import Route

from pipelines.access.accounts import COOKIE, SESSION_S, Accounts, SignInRefused
from pipelines.access.passwords import LONGEST, SHORTEST
from pipelines.errors import ShopspreadError

if TYPE_CHECKING:
    from jinja2 import Template

SIGN_IN, SIGN_OUT, INVITATION = "/sign-in", "/sign-out", "/invitation/"
MOST_BYTES = 16_384
"""Of a form's body: a name, two passwords and an address."""
HEADERS = {
    "Cache-Control": "no-store",
    "Content-Security-Policy": "default-src 'none'; style-src 'unsafe-inline'; form-action 'self'; "
    "frame-ancestors 'none'; base-uri 'none'",
    # Not no-referrer: a browser then sends its own forms with the origin "null".
    "Referrer-Policy": "same-origin",
    "X-Content-Type-Options": "nosniff",
}


def routes(accounts: Accounts) -> list[Route]:
    """The pages of the door.

    Args:
        accounts: who may sign in.
    """

    async def sign_in(request: Request) -> Response:
        if request.method == "GET":
            return _page("sign in", "Sign in", next=inside(request.query_params.get("next", "")))
        if refused := foreign(request):
            return refused
        form = await _form(request)
        following, name = inside(form.get("next", "")), form.get("name", "")
        try:
            token = await run_in_threadpool(accounts.sign_in, name, form.get("password", ""))
        except ShopspreadError as error:
            status = 403 if isinstance(error, SignInRefused) else 503
            return _page("sign in", "Sign in", status, trouble=str(error), name=name, next=following)
        return _entered(request, token, following)

    async def sign_out(request: Request) -> Response:
        if refused := foreign(request):
            return refused
        await run_in_threadpool(accounts.sign_out, request.cookies.get(COOKIE, ""))
        response = RedirectResponse(SIGN_IN, 303, HEADERS)
        response.delete_cookie(COOKIE, path="/")
        return response

    async def invitation(request: Request) -> Response:
        token = request.path_params["token"]
        name = await run_in_threadpool(accounts.invited, token)
        if name is None:
            sentence = "This link was used before or is too old; ask for a new one."
            return _page("nothing", "This link leads nowhere", 404, trouble=sentence)
        about = {"name": name, "token": token, "shortest": SHORTEST, "longest": LONGEST}
        if request.method == "GET":
            return _page("choose", "Welcome", **about)
        if refused := foreign(request):
            return refused
        form = await _form(request)
        if form.get("password") != form.get("again"):
            return _page("choose", "Welcome", 400, trouble="The two are not the same.", **about)
        try:
            session = await run_in_threadpool(accounts.accept, token, form.get("password", ""))
        except ShopspreadError as error:
            return _page("choose", "Welcome", 400, trouble=str(error), **about)
        return _entered(request, session, "/")

    return [
        Route(SIGN_IN, sign_in, methods=["GET", "POST"]),
        Route(SIGN_OUT, sign_out, methods=["POST"]),
        Route(INVITATION + "{token}", invitation, methods=["GET", "POST"]),
    ]


def inside(address: str) -> str:
    """An address within the dashboard to go on to; the first page for anything that could lead elsewhere."""
    parts = urlsplit(address)
    away = parts.scheme or parts.netloc or not address.startswith("/") or address.startswith("//")
    return "/" if away or "\\" in address or any(ord(sign) < 32 for sign in address) else address


def foreign(request: Request) -> Response | None:
    """A refusal where a form was sent from a page of another origin (RFC 6454), or by no page at all."""
    origin = request.headers.get("origin", "")
    if origin and urlsplit(origin).netloc == request.headers.get("host", "").strip():
        return None
    return _page("nothing", "Not from here", 403, trouble="This form did not come from this dashboard.")


def led_to_sign_in(path: str) -> RedirectResponse:
    """Where somebody who is not signed in is led, and after that to where they wanted."""
    return RedirectResponse(f"{SIGN_IN}?next={quote(inside(path), safe='')}", 303, HEADERS)


def _entered(request: Request, token: str, following: str) -> Response:
    response = RedirectResponse(following, 303, HEADERS)
    encrypted = request.url.scheme == "https" or request.headers.get("x-forwarded-proto", "") == "https"
    response.set_cookie(
        COOKIE, token, max_age=SESSION_S, path="/", httponly=True, samesite="lax", secure=encrypted
    )
    return response


async def _form(request: Request) -> dict[str, str]:
    length = request.headers.get("content-length", "")
    if not length.isdigit() or int(length) > MOST_BYTES:
        return {}
    return {name: value for name, value in (await request.form()).items() if isinstance(value, str)}


@cache
def _template() -> Template:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    here = FileSystemLoader(Path(__file__).parent)
    return Environment(loader=here, autoescape=True, undefined=StrictUndefined).get_template("page.html.j2")


def _page(kind: str, title: str, status: int = 200, **shown: object) -> HTMLResponse:
    values = {"trouble": "", "name": "", "next": "/", **shown}
    return HTMLResponse(_template().render(kind=kind, title=title, **values), status, HEADERS)
