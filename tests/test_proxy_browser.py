"""The dashboard behind a web server with TLS: the example configuration as it stands, but for name, ports and
certificate."""

from __future__ import annotations

import http.client
import shutil
import ssl
import subprocess
import time
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import pytest

from dashboard.door.routes import COOKIE
from dashboard.launch import accounts_of
from pipelines.access.accounts import Accounts
from pipelines.access.roles import Role
from pipelines.warehouse.database import Warehouse
from tests.browser_dashboard import CHROMIUM, WAIT_MS, chromium, free_port, served, settle

NGINX, OPENSSL = shutil.which("nginx", path="/usr/sbin:/usr/bin:/sbin:/bin"), shutil.which("openssl")
EXAMPLE = Path(__file__).parents[1] / ".deploy" / "nginx.conf"
PASSWORD = "a long enough one"

pytestmark = [
    pytest.mark.skipif(not (NGINX and OPENSSL and CHROMIUM), reason="nginx, openssl or chromium is missing"),
    pytest.mark.xdist_group("proxy"),
]


@dataclass(frozen=True, slots=True)
class Proxied:
    """A dashboard behind the example: its ports and who may sign in."""

    plain: int
    tls: int
    accounts: Accounts


def certificate(folder: Path) -> tuple[Path, Path]:
    """A certificate signed by itself and its key."""
    crt, key = folder / "shop.crt", folder / "shop.key"
    subprocess.run(
        [
            str(OPENSSL), "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=localhost",
            "-addext", "subjectAltName=DNS:localhost", "-out", str(crt), "-keyout", str(key),
        ],
        check=True,
        capture_output=True,
    )  # fmt: skip
    return crt, key


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Proxied]:
    folder = tmp_path_factory.mktemp("proxy")
    Warehouse(folder / "shop", create=True)
    accounts = accounts_of(folder / "shop")
    accounts.accept(accounts.invite("Olga", [Role.OWNER], by="test"), PASSWORD)
    crt, key = certificate(folder)
    plain, tls = free_port(), free_port()
    with served(folder / "shop", folder) as address:
        text = EXAMPLE.read_text()
        for said, here in (
            ("shop.example;", "localhost;"),
            ("/etc/ssl/shop.example.crt", str(crt)),
            ("/etc/ssl/shop.example.key", str(key)),
            ("listen 80;", f"listen 127.0.0.1:{plain};"),
            ("listen 443 ", f"listen 127.0.0.1:{tls} "),
            ("http://127.0.0.1:8501", address),
            ("https://$host", f"https://$host:{tls}"),
        ):
            assert said in text, said
            text = text.replace(said, here)
        (folder / "site.conf").write_text(text)
        temporary = "".join(
            f"{kind}_temp_path {folder}/{kind};\n"
            for kind in ("client_body", "proxy", "fastcgi", "uwsgi", "scgi")
        )
        main = folder / "nginx.conf"
        main.write_text(
            f"daemon off;\npid {folder}/nginx.pid;\nerror_log {folder}/error.log;\nevents {{}}\n"
            f"http {{\naccess_log off;\n{temporary}include {folder}/site.conf;\n}}\n"
        )
        server = subprocess.Popen([str(NGINX), "-c", str(main)], stderr=subprocess.DEVNULL)
        try:
            until = time.monotonic() + 20
            while not (folder / "nginx.pid").exists() and time.monotonic() < until:
                assert server.poll() is None, (folder / "error.log").read_text()
                time.sleep(0.1)
            yield Proxied(plain, tls, accounts)
        finally:
            server.terminate()
            server.wait(timeout=20)


def insecure() -> ssl.SSLContext:
    """No check of the certificate: it is signed by itself."""
    context = ssl.create_default_context()
    context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
    return context


def test_plain_http_is_sent_to_tls(shop: Proxied) -> None:
    with closing(http.client.HTTPConnection("127.0.0.1", shop.plain, timeout=20)) as caller:
        caller.request("GET", "/week", headers={"Host": "localhost"})
        answer = caller.getresponse()
        answer.read()
    assert (answer.status, answer.getheader("Location")) == (301, f"https://localhost:{shop.tls}/week")


def test_another_name_gets_nothing(shop: Proxied) -> None:
    with closing(
        http.client.HTTPSConnection("127.0.0.1", shop.tls, timeout=20, context=insecure())
    ) as caller:
        caller.request("GET", "/", headers={"Host": "evil.example"})
        with pytest.raises((http.client.RemoteDisconnected, ConnectionResetError, ssl.SSLError)):
            caller.getresponse()


@pytest.mark.parametrize(
    ("origin", "status"), [("https://localhost:{tls}", 101), ("https://evil.example", 403), (None, 403)]
)
def test_live_connections_are_this_sites_and_signed_in(
    shop: Proxied, origin: str | None, status: int
) -> None:
    """With a session: its own origin is let in, another page's is not; without one nobody is."""
    link = shop.accounts.invite("Lena", [Role.LEAD], by="test")
    session = shop.accounts.accept(link, PASSWORD) if origin else ""
    headers = {
        "Host": f"localhost:{shop.tls}", "Upgrade": "websocket", "Connection": "Upgrade",
        "Sec-WebSocket-Key": "AAAAAAAAAAAAAAAAAAAAAA==", "Sec-WebSocket-Version": "13",
        "Sec-WebSocket-Protocol": "streamlit", "Origin": (origin or "https://localhost:{tls}").format(tls=shop.tls),
    }  # fmt: skip
    if session:
        headers["Cookie"] = f"{COOKIE}={session}"
    with closing(
        http.client.HTTPSConnection("localhost", shop.tls, timeout=20, context=insecure())
    ) as caller:
        caller.request("GET", "/_stcore/stream", headers=headers)
        assert caller.sock is not None
        assert int(caller.sock.recv(200).split(b" ")[1]) == status


def test_one_signs_in_and_works_through_it(shop: Proxied) -> None:
    with chromium() as browser:
        context = browser.new_context(ignore_https_errors=True)
        tab = context.new_page()
        tab.goto(f"https://localhost:{shop.tls}/add")
        tab.fill("#name", "olga")
        tab.fill("#password", PASSWORD)
        tab.get_by_role("button").click()
        tab.get_by_role("heading", name="Add").first.wait_for(timeout=WAIT_MS)
        settle(tab)
        assert "Signed in as Olga (owner)" in tab.inner_text("body")
        # the cookie goes back over TLS alone
        assert [one["secure"] for one in context.cookies() if one["httpOnly"]] == [True]
