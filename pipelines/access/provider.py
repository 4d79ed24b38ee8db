"""An identity provider of the shop's own choice (OpenID Connect), named by the environment."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pipelines.errors import ShopspreadError

PREFIX = "SHOPSPREAD_OIDC_"
NAMES = {
    "METADATA_URL": "server_metadata_url",
    "CLIENT_ID": "client_id",
    "CLIENT_SECRET": "client_secret",
    "REDIRECT_URL": "redirect_uri",
    "COOKIE_SECRET": "cookie_secret",
}
SHORTEST_SECRET = 32


def configured(environment: Mapping[str, str]) -> bool:
    """Whether any of the provider's variables is set."""
    return any(environment.get(PREFIX + name) for name in NAMES)


def secrets_of(environment: Mapping[str, str]) -> dict[str, Any] | None:
    """What `st.login` needs, or None where no provider is named.

    Raises:
        ShopspreadError: when some of the variables are missing, or the cookie's secret could be guessed.
    """
    if not configured(environment):
        return None
    missing = [PREFIX + name for name in NAMES if not environment.get(PREFIX + name)]
    if missing:
        raise ShopspreadError(f"For sign-in by an identity provider, {', '.join(missing)} must be set too.")
    if len(environment[PREFIX + "COOKIE_SECRET"]) < SHORTEST_SECRET:
        raise ShopspreadError(
            f"{PREFIX}COOKIE_SECRET has fewer than {SHORTEST_SECRET} signs; make a random one."
        )
    if not environment[PREFIX + "REDIRECT_URL"].endswith("/oauth2callback"):
        raise ShopspreadError(
            f"{PREFIX}REDIRECT_URL ends in /oauth2callback, as registered with the provider."
        )
    return {"auth": {key: environment[PREFIX + name] for name, key in NAMES.items()}}
