"""Who may talk to the dashboard: this machine by its own names, and no page of another origin.

The attack guarded against is DNS rebinding (a page of another name that resolves to this machine) and plain
cross-site requests; both show in the Host and Origin headers (RFC 9110, section 7.2; RFC 6455, section 10.2).
"""

from __future__ import annotations

import base64
import json
import os
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from dashboard.launch import command, environment
from pipelines.warehouse.database import Warehouse
from tests.browser_dashboard import served

LOOSE = """
[server]
allowedHosts = ["*"]
enableCORS = false
enableXsrfProtection = false
address = "0.0.0.0"
corsAllowedOrigins = ["http://evil.example"]
[global]
developmentMode = true
"""


@pytest.fixture(scope="module")
def port(tmp_path_factory: pytest.TempPathFactory) -> Iterator[int]:
    """A dashboard started where everything around it asks for an open door."""
    folder = tmp_path_factory.mktemp("loose")
    Warehouse(folder / "w", create=True)
    (folder / ".streamlit").mkdir()
    (folder / ".streamlit" / "config.toml").write_text(LOOSE)
    (folder / "random.py").write_text("raise SystemExit('imported from the working folder')\n")
    settings = {
        "STREAMLIT_SERVER_ALLOWED_HOSTS": "*",
        "STREAMLIT_SERVER_ENABLE_CORS": "false",
        "STREAMLIT_SERVER_ADDRESS": "0.0.0.0",
        "HOME": str(folder),
    }
    with pytest.MonkeyPatch.context() as patch:
        for name, value in settings.items():
            patch.setenv(name, value)
        with served(folder / "w", folder) as url:
            yield int(url.rpartition(":")[2])


def answer(port: int, host: str, origin: str | None) -> int:
    """The status a browser's request for a live connection gets."""
    key = base64.b64encode(os.urandom(16)).decode()
    lines = [
        "GET /_stcore/stream HTTP/1.1", f"Host: {host}", "Upgrade: websocket", "Connection: Upgrade",
        f"Sec-WebSocket-Key: {key}", "Sec-WebSocket-Version: 13", "Sec-WebSocket-Protocol: streamlit",
    ]  # fmt: skip
    if origin is not None:
        lines.append(f"Origin: {origin}")
    with socket.create_connection(("127.0.0.1", port), timeout=20) as caller:
        caller.sendall(("\r\n".join(lines) + "\r\n\r\n").encode())
        return int(caller.recv(200).split(b" ")[1])


@pytest.mark.parametrize("name", ["127.0.0.1", "localhost"])
def test_a_browser_on_this_machine_is_served(port: int, name: str) -> None:
    assert answer(port, f"{name}:{port}", f"http://{name}:{port}") == 101


@pytest.mark.parametrize(
    ("host", "origin"),
    [
        ("evil.example", "http://evil.example"),
        ("evil.example:{port}", "http://evil.example:{port}"),
        ("evil.example:{port}", None),
        ("127.0.0.1.evil.example", "http://127.0.0.1.evil.example"),
        ("127.0.0.1:{port}", "http://evil.example"),
        ("localhost:{port}", "https://evil.example"),
        ("127.0.0.1:{port}", "null"),
        ("0.0.0.0:{port}", "http://0.0.0.0:{port}"),
        ("", None),
    ],
)
def test_another_name_or_another_origin_is_refused(port: int, host: str, origin: str | None) -> None:
    shown = origin.format(port=port) if origin is not None else None
    assert answer(port, host.format(port=port), shown) in (400, 403)


def got(port: int, host: str | None, path: str, method: str = "GET") -> tuple[int, bytes]:
    """Status and body of a plain request."""
    lines = [f"{method} {path} HTTP/1.1", "Connection: close", "Content-Length: 0"]
    if host is not None:
        lines.insert(1, f"Host: {host}")
    with socket.create_connection(("127.0.0.1", port), timeout=20) as caller:
        caller.sendall(("\r\n".join(lines) + "\r\n\r\n").encode())
        received = b""
        while block := caller.recv(65_536):
            received += block
    head, _, body = received.partition(b"\r\n\r\n")
    return int(head.split(b" ")[1]), body


PATHS = ("/", "/intake", "/sign-in", "/_stcore/health", "/_stcore/host-config", "/_stcore/metrics", "/media/x.png",
         "/static/", "/favicon.png", "/index.html", "/manifest.json")  # fmt: skip


@pytest.mark.parametrize("path", PATHS)
@pytest.mark.parametrize("method", ["GET", "POST", "OPTIONS"])
def test_not_even_the_empty_page_goes_to_another_name(port: int, path: str, method: str) -> None:
    """The page shell can do nothing without its live connection, but a foreign page has no business with it either."""
    for host in (
        "evil.example",
        f"evil.example:{port}",
        f"127.0.0.1.evil.example:{port}",
        f"0.0.0.0:{port}",
        "",
        None,
    ):
        status, body = got(port, host, path, method)
        assert status == 400, (host, status)
        assert b"<html" not in body
        assert b"hopspread" not in body


@pytest.mark.parametrize("name", ["127.0.0.1", "localhost", "LOCALHOST"])
def test_the_page_goes_to_this_machine_by_its_names(port: int, name: str) -> None:
    status, body = got(port, f"{name}:{port}", "/")
    assert status == 200
    assert b"<html" in body


@pytest.mark.parametrize("path", PATHS)
def test_no_page_of_another_origin_may_frame_it(port: int, path: str) -> None:
    """A page around it could lead a person's clicks to a button of ours (W3C CSP 3, frame-ancestors; RFC 7034)."""
    with socket.create_connection(("127.0.0.1", port), timeout=20) as caller:
        caller.sendall(f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nConnection: close\r\n\r\n".encode())
        head = caller.recv(65_536).partition(b"\r\n\r\n")[0].lower()
    assert b"content-security-policy: frame-ancestors 'self'" in head
    assert b"x-frame-options: sameorigin" in head


def test_no_page_around_it_may_send_it_messages(port: int) -> None:
    _, body = got(port, f"127.0.0.1:{port}", "/_stcore/host-config")
    assert json.loads(body)["allowedOrigins"] == [f"http://127.0.0.1:{port}"]


def test_it_listens_on_this_machine_only(port: int) -> None:
    names = {str(info[4][0]) for info in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)}
    for name in names - {"127.0.0.1"}:
        with socket.socket() as caller:
            caller.settimeout(2)
            assert caller.connect_ex((name, port)) != 0


def test_a_foreign_origin_makes_nobody_look_up_an_address(monkeypatch: pytest.MonkeyPatch) -> None:
    from streamlit import config, net_util
    from streamlit.web.server.server_util import is_url_from_allowed_origins

    from dashboard import serve

    for module, name in (
        (config, "get_config_files"),
        (net_util, "get_external_ip"),
        (net_util, "get_internal_ip"),
    ):
        monkeypatch.setattr(module, name, getattr(module, name))  # put back afterwards
    serve.harden()

    def never(*_: object, **__: object) -> None:
        raise AssertionError("a socket was opened")

    monkeypatch.setattr(socket, "socket", never)
    monkeypatch.setattr(socket, "create_connection", never)
    assert not is_url_from_allowed_origins("http://evil.example")
    assert config.get_config_files("config.toml") == []


def test_no_server_setting_of_the_environment_is_handed_on(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STREAMLIT_SERVER_ALLOWED_HOSTS", "*")
    assert not [name for name in environment(Path("w")) if name.startswith("STREAMLIT_")]
    assert "-P" in command(8501)
