"""The digest by mail, through the shop's own SMTP server; the environment says which."""

from __future__ import annotations

import os
import smtplib
import ssl
from collections.abc import Mapping
from dataclasses import dataclass
from email.headerregistry import Address
from email.message import EmailMessage

from dashboard.documents.digest import digest_name
from dashboard.shared.waits import SORT_WORDS, older
from pipelines.errors import ShopspreadError
from pipelines.reports.waiting import WeekWaits
from pipelines.reports.week import Week

HOST, PORT, SECURITY = "SHOPSPREAD_SMTP_HOST", "SHOPSPREAD_SMTP_PORT", "SHOPSPREAD_SMTP_SECURITY"
USER, PASSWORD, SENDER = "SHOPSPREAD_SMTP_USER", "SHOPSPREAD_SMTP_PASSWORD", "SHOPSPREAD_SMTP_FROM"
# RFC 6409 and RFC 8314: submission with STARTTLS on 587, with TLS from the start on 465; 25 between servers.
PORTS = {"starttls": 587, "tls": 465, "none": 25}
TIMEOUT_S = 30.0


@dataclass(frozen=True, slots=True)
class MailServer:
    """The shop's SMTP server. `security` is `starttls`, `tls` or `none`; user and password may be empty."""

    host: str
    port: int
    security: str
    user: str
    password: str
    sender: str


def mail_server(environment: Mapping[str, str] | None = None) -> MailServer:
    """The server as the environment names it.

    Raises:
        ShopspreadError: when something is missing or makes no sense; it says which variable.
    """
    given = os.environ if environment is None else environment
    host, sender = given.get(HOST, "").strip(), given.get(SENDER, "").strip()
    if not host:
        raise ShopspreadError(f"No mail server is named: set {HOST} to the shop's own SMTP server.")
    if not sender:
        raise ShopspreadError(f"No sender is named: set {SENDER} to the address the digest comes from.")
    checked_address(sender)
    security = given.get(SECURITY, "starttls").strip().lower()
    if security not in PORTS:
        raise ShopspreadError(f"{SECURITY} is {security!r}; it may be {', '.join(PORTS)}.")
    port = given.get(PORT, "").strip() or str(PORTS[security])
    if not port.isdigit() or not 0 < int(port) < 65536:
        raise ShopspreadError(f"{PORT} is {port!r}; it must be a port number.")
    user, password = given.get(USER, ""), given.get(PASSWORD, "")
    if user and security == "none":
        raise ShopspreadError(
            f"{USER} is set and {SECURITY} is none: a password is never sent in the clear; use starttls or tls."
        )
    return MailServer(host, int(port), security, user, password, sender)


def checked_address(text: str) -> str:
    """The address itself.

    Raises:
        ShopspreadError: when it is none.
    """
    try:
        parsed = Address(addr_spec=text)
    except Exception as error:  # the parser has several of its own
        raise ShopspreadError(f"{text!r} is no mail address.") from error
    if not parsed.domain or not parsed.username:
        raise ShopspreadError(f"{text!r} is no mail address.")
    return text


def digest_message(
    week: Week, waits: WeekWaits, page: str, sender: str, recipients: list[str]
) -> EmailMessage:
    """A week's digest as a message: the HTML page attached, and a plain text that says how many decisions wait."""
    year, number, _ = week.monday.isocalendar()
    message = EmailMessage()
    message["Subject"] = f"Shop digest, week {number} of {year}"
    message["From"], message["To"] = sender, ", ".join(recipients)
    counts = ", ".join(
        f"{title[0].lower()}{title[1:]} {len(waits.of(sort))}" for sort, title in SORT_WORDS.items()
    )
    message.set_content(
        f"Shop digest, {week.monday:%Y-%m-%d} to {week.sunday:%Y-%m-%d}.\n\n"
        f"New in this week and still open: {counts}. {older(waits)}\n\n"
        "The whole digest is the attached page; it opens in any browser and asks nobody for anything.\n"
    )
    message.add_attachment(page.encode(), maintype="text", subtype="html", filename=digest_name(week))
    return message


def send(message: EmailMessage, server: MailServer) -> None:
    """Hand a message to the server.

    Raises:
        ShopspreadError: when the server cannot be reached, does not know the user, or refuses a recipient.
    """
    try:
        with _connected(server) as connection:
            if server.user:
                connection.login(server.user, server.password)
            refused = connection.send_message(message)
    except smtplib.SMTPAuthenticationError as error:
        raise ShopspreadError(
            f"The mail server {server.host} does not know this user and password."
        ) from error
    except smtplib.SMTPRecipientsRefused as error:
        raise ShopspreadError(
            f"The mail server refused {', '.join(error.recipients)}; nothing was sent."
        ) from error
    except (OSError, smtplib.SMTPException) as error:
        raise ShopspreadError(
            f"The mail server {server.host}, port {server.port}, did not take the digest: {error}. The address, the "
            f"port and the security stand in {HOST}, {PORT} and {SECURITY}."
        ) from error
    if refused:
        raise ShopspreadError(f"The mail server took it, but not for {', '.join(refused)}.")


def _connected(server: MailServer) -> smtplib.SMTP:
    context = ssl.create_default_context()
    if server.security == "tls":
        return smtplib.SMTP_SSL(server.host, server.port, timeout=TIMEOUT_S, context=context)
    connection = smtplib.SMTP(server.host, server.port, timeout=TIMEOUT_S)
    if server.security == "starttls":
        try:
            connection.starttls(context=context)
        except BaseException:
            connection.close()
            raise
    return connection
