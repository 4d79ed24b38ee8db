"""`shopspread accounts`: who may sign in to the dashboard, and as what."""

from __future__ import annotations

import getpass
from pathlib import Path
from typing import Annotated

import typer

from pipelines.access.accounts import INVITED_S, Accounts
from pipelines.access.roles import RIGHTS, Right, Role, parse_roles
from pipelines.cli import output as out
from pipelines.cli.options import WarehousePath
from pipelines.errors import ShopspreadError
from pipelines.warehouse.database import DEFAULT_WAREHOUSE, Warehouse, places

accounts = typer.Typer(help="Say who may sign in to the dashboard, and as what.", no_args_is_help=True)

Name = Annotated[str, typer.Argument(help="The person's name, as they will sign in.")]
Roles = Annotated[list[str], typer.Option("--role", help=f"A role; may be given again: {', '.join(Role)}.")]


def _of(warehouse: Path) -> Accounts:
    return Accounts.of(places(warehouse)[0])


def _by() -> str:
    """Whoever runs the command: the computer's own user name."""
    return f"{getpass.getuser()} (at the command line)"


@accounts.command()
def invite(
    name: Name,
    role: Roles,
    warehouse: WarehousePath = DEFAULT_WAREHOUSE,
    technician: Annotated[
        str,
        typer.Option(
            "--technician", help="Their key in the shop's tables, so that they see their own figures."
        ),
    ] = "",
    email: Annotated[
        str, typer.Option("--email", help="Their address at the shop's identity provider, if there is one.")
    ] = "",
    shop: Annotated[
        list[str] | None,
        typer.Option(
            "--shop", help="A shop whose rows alone they see; may be given again (none named: all)."
        ),
    ] = None,
    address: Annotated[
        str, typer.Option("--address", help="Where the dashboard is reached, for the link.")
    ] = "http://127.0.0.1:8501",
) -> None:
    """Admit somebody; prints a link that works once, to choose a password with.

    For somebody admitted before it is a new link: roles are replaced, open pages close.
    """
    house = Warehouse(warehouse)  # says so where there is none
    known = house.frame("shops")["shop"].to_list()
    if unknown := [one for one in shop or () if not one or one not in known]:
        raise ShopspreadError(
            f"There is no shop {unknown[0]!r} in this warehouse; there are: {', '.join(filter(None, known)) or 'none'}."
        )
    token = _of(warehouse).invite(
        name, parse_roles(role), technician=technician, email=email, by=_by(), shops=shop or ()
    )
    out.say(f"Hand this link to {name} alone; it works once, within {INVITED_S // 86400} days.")
    if email:
        out.say(f"Or {name} signs in through the identity provider as {email}.")
    out.result(f"{address.rstrip('/')}/invitation/{token}")


@accounts.command("list")
def listing(warehouse: WarehousePath = DEFAULT_WAREHOUSE) -> None:
    """Show who may sign in, and as what."""
    people = _of(warehouse).listing()
    for one in people:
        state = (
            "withdrawn" if one.withdrawn
            else "locked for a while" if one.locked
            else "signs in" if one.has_password or one.email
            else "invited, no password yet"
        )  # fmt: skip
        roles = ", ".join(one.roles)
        out.result(
            f"{one.name}: {roles}; {state}"
            + (f"; technician {one.technician}" if one.technician else "")
            + (f"; of {', '.join(one.shops)} alone" if one.shops else "")
        )
    if not people:
        out.say("Nobody is admitted; the dashboard opens on this computer only, without sign-in.")


@accounts.command()
def roles(name: Name, role: Roles, warehouse: WarehousePath = DEFAULT_WAREHOUSE) -> None:
    """Change what somebody may; it holds from their next click on."""
    _of(warehouse).set_roles(name, parse_roles(role), by=_by())
    out.result(f"{name}: {', '.join(parse_roles(role))}")


@accounts.command()
def withdraw(name: Name, warehouse: WarehousePath = DEFAULT_WAREHOUSE) -> None:
    """Let somebody in no longer; their open pages close at once."""
    _of(warehouse).withdraw(name, by=_by())
    out.result(f"{name} can sign in no more.")


@accounts.command()
def table() -> None:
    """Print who may see and do what."""
    out.result(rights_table())


def rights_table() -> str:
    """The table of roles and rights as the README shows it, in Markdown."""
    lines = [f"| may | {' | '.join(Role)} |", "| --- |" + " :-: |" * len(Role)]
    for right in Right:
        marks = ("yes" if right in RIGHTS[role] else "" for role in Role)
        lines.append(f"| {right.value} | {' | '.join(marks)} |")
    return "\n".join(lines)
