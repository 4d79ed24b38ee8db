"""The digest by mail: what arrives at a server on this machine, and what is said when it cannot."""

from __future__ import annotations

import datetime as dt
import email
import socket
from email.message import EmailMessage, Message
from pathlib import Path

import polars as pl
import pytest
from typer.testing import CliRunner

from dashboard.documents import mail
from pipelines.cli.app import app
from pipelines.errors import ShopspreadError
from pipelines.intake.ingest import ingest
from pipelines.reports.week import last_over, last_week
from pipelines.warehouse.database import Warehouse
from tests.small_shop import small_drop
from tests.smtp_sink import smtp_sink

NAMED = {mail.HOST: "127.0.0.1", mail.SENDER: "shop@example.org", mail.SECURITY: "none"}


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("mail")
    small_drop(folder / "drop")
    ingest(folder / "drop", Warehouse(folder / "wh", create=True), jobs=1)
    return folder / "wh"


def run(shop: Path, *arguments: str, **named: str) -> tuple[int, str]:
    done = CliRunner().invoke(app, ["digest", "--warehouse", str(shop), *arguments], env={**NAMED, **named})
    if done.exception is not None and not isinstance(done.exception, SystemExit | ShopspreadError):
        raise done.exception
    return done.exit_code, str(done.exception or "")


def pages(message: Message) -> list[str]:
    return [
        part.get_payload(decode=True).decode()  # type: ignore[union-attr]
        for part in message.walk()
        if part.get_content_type() == "text/html"
    ]


def test_the_last_week_arrives_with_its_page(shop: Path) -> None:
    with smtp_sink() as sink:
        code, _ = run(shop, "--mail-to", "ada@example.org", "--mail-to", "ben@example.org",
                      **{mail.PORT: str(sink.port)})  # fmt: skip
    assert code == 0
    (sender, recipients, body) = sink.kept[0]
    assert (sender, recipients) == ("shop@example.org", ["ada@example.org", "ben@example.org"])
    message = email.message_from_bytes(body)
    # the records end on Monday 2 March 2026 (week 10), so the last week that is over is week 9
    assert message["Subject"] == "Shop digest, week 9 of 2026"
    assert message["To"] == "ada@example.org, ben@example.org"
    (page,) = pages(message)
    assert "Shop digest, week 9" in page
    assert "data:image/png;base64," in page or "What changed" in page
    assert "2026-02-23 to 2026-03-01" in body.decode()


def test_a_named_week_is_mailed_with_what_it_flagged(shop: Path) -> None:
    with smtp_sink() as sink:
        run(shop, "--week", "2026-03-04", "--mail-to", "ada@example.org", **{mail.PORT: str(sink.port)})
    message = email.message_from_bytes(sink.kept[0][2])
    assert message["Subject"] == "Shop digest, week 10 of 2026"
    assert "2 March" in pages(message)[0].replace("02 March", "2 March")


def test_a_refused_recipient_is_named(shop: Path) -> None:
    with smtp_sink(refuses=frozenset({"gone@example.org"})) as sink:
        code, said = run(shop, "--mail-to", "gone@example.org", **{mail.PORT: str(sink.port)})
    assert code == 1
    assert "refused gone@example.org" in said
    assert not sink.kept


def test_a_server_that_is_not_there_is_said(shop: Path) -> None:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    code, said = run(shop, "--mail-to", "ada@example.org", **{mail.PORT: str(port)})
    assert code == 1
    assert f"127.0.0.1, port {port}, did not take the digest" in said


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({}, mail.HOST),
        ({mail.HOST: "mail.example.org"}, mail.SENDER),
        ({**NAMED, mail.SECURITY: "perhaps"}, mail.SECURITY),
        ({**NAMED, mail.PORT: "many"}, mail.PORT),
        ({**NAMED, mail.USER: "ada", mail.PASSWORD: "secret"}, "never sent in the clear"),
        ({**NAMED, mail.SENDER: "nobody"}, "no mail address"),
    ],
)
def test_what_the_environment_lacks_is_named(given: dict[str, str], said: str) -> None:
    with pytest.raises(ShopspreadError, match=said) as raised:
        mail.mail_server(given)
    assert "secret" not in str(raised.value)


def test_the_usual_ports() -> None:
    # RFC 6409 (submission, 587) and RFC 8314 (implicit TLS, 465)
    assert mail.mail_server({**NAMED, mail.SECURITY: "starttls"}).port == 587
    assert mail.mail_server({**NAMED, mail.SECURITY: "tls"}).port == 465


def test_a_server_without_starttls_gets_nothing_in_the_clear() -> None:
    message = EmailMessage()
    message["From"], message["To"] = "shop@example.org", "ada@example.org"
    with smtp_sink() as sink:
        server = mail.MailServer("127.0.0.1", sink.port, "starttls", "ada", "secret", "shop@example.org")
        with pytest.raises(ShopspreadError, match="did not take"):
            mail.send(message, server)
    assert not sink.kept


def test_a_week_is_over_on_its_sunday() -> None:
    monday = dt.date(2026, 3, 2)
    for day in range(6):
        assert last_over(monday + dt.timedelta(days=day)) == monday - dt.timedelta(days=7)
    assert last_over(monday + dt.timedelta(days=6)) == monday


def test_the_default_week_ends_before_today(shop: Path) -> None:
    assert last_week(Warehouse(shop)) == dt.date(2026, 2, 23)
    assert last_week(Warehouse(shop), dt.date(2026, 2, 20)) == dt.date(2026, 2, 9)
    captures = Warehouse(shop).frame("captures")
    assert captures.filter(pl.col("captured_at").dt.date() > dt.date(2026, 2, 23)).height == captures.height
