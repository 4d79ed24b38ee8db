"""The people who may sign in: an SQLite file beside the warehouse, which its backups and exports never hold.

It is no part of the warehouse because every change there makes all pages draw anew, and because a hash of a password
belongs in no copy. SQLite lets several servers on one computer share it. Passwords are hashed with Argon2id by
argon2-cffi at its defaults (RFC 9106, the low-memory profile); a session or an invitation is a random token of which
only the SHA-256 is kept.
"""

from __future__ import annotations

import hashlib
import os
import secrets
import sqlite3
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from models.records.shops import own_name, shop_of
from pipelines.access import passwords
from pipelines.access.account_tables import prepare
from pipelines.access.roles import Role, Viewer, parse_roles, viewer_of
from pipelines.errors import ShopspreadError

COOKIE = "shopspread_session"
"""The cookie a session's token stands in."""
SUFFIX = ".accounts.sqlite"
TRIES = 5
LOCKED_S = 15 * 60
INVITED_S = 3 * 24 * 3600
SESSION_S = 30 * 24 * 3600
BUSY_S = 10.0


class SignInRefused(ShopspreadError):
    """A sign-in did not work; the sentence does not say whether the name or the password was wrong."""


@dataclass(frozen=True, slots=True)
class Account:
    """One person as `shopspread accounts` shows them."""

    name: str
    roles: tuple[Role, ...]
    technician: str
    email: str
    has_password: bool
    withdrawn: bool
    locked: bool
    shops: tuple[str, ...] = ()


class Accounts:
    """The accounts of one warehouse.

    Args:
        file: where they stand; made when the first account is.
        now: seconds since 1970.
    """

    def __init__(self, file: Path, now: Callable[[], float] = time.time) -> None:
        self.file, self._now = file, now

    @classmethod
    def of(cls, database: Path) -> Accounts:
        """The accounts beside a warehouse's database file."""
        return cls(database.with_suffix(SUFFIX))

    def anybody(self, role: Role | None = None) -> bool:
        """Whether somebody is admitted, if asked in that role."""
        return any(not one.withdrawn and (role is None or role in one.roles) for one in self.listing())

    def listing(self) -> list[Account]:
        """Everybody ever admitted, by name."""
        if not self.file.exists():
            return []
        with self._open(write=False) as con:
            rows = con.execute(
                "SELECT shown, roles, technician, email, password, withdrawn, locked_until, shops FROM account "
                "ORDER BY name"
            ).fetchall()
        return [
            Account(
                shown,
                _roles(roles),
                technician,
                email or "",
                bool(password),
                bool(gone),
                locked > self._now(),
                _shops(shops),
            )
            for shown, roles, technician, email, password, gone, locked, shops in rows
        ]

    def secret(self) -> bytes:
        """A key of this warehouse's own, made when it is first asked for; empty where nobody is admitted."""
        if not self.file.exists():
            return b""
        with self._open(write=False) as con:
            row = con.execute("SELECT value FROM secret").fetchone()
        if row is None:
            with self._open() as con:
                con.execute(
                    "INSERT INTO secret SELECT ? WHERE NOT EXISTS (SELECT 1 FROM secret)",
                    (secrets.token_hex(32),),
                )
                row = con.execute("SELECT value FROM secret").fetchone()
        return bytes.fromhex(row[0])

    # -- admitting ---------------------------------------------------------------------------------------------------

    def invite(
        self,
        name: str,
        roles: Iterable[Role],
        *,
        technician: str = "",
        email: str = "",
        by: str,
        shops: Iterable[str] = (),
    ) -> str:
        """Admit somebody, or give somebody admitted a new link; returns the token of a link that works once.

        An invitation replaces roles, technician, e-mail address and shops (none named: all); an
        older link no longer works, sessions end.

        Raises:
            ShopspreadError: for an empty name, or an address that belongs to somebody else, or where the last owner
                would be none any more.
        """
        shown, held = " ".join(name.split()), ";".join(roles)
        parse_roles(held.split(";") if held else ())
        if not shown or not by.strip():
            raise ShopspreadError("Say who is invited and who invites.")
        token = secrets.token_urlsafe(32)
        key = _key(shown)
        with self._open(create=True) as con:
            try:
                con.execute(
                    "INSERT INTO account (name, shown, roles, technician, email, shops) VALUES (?, ?, ?, ?, ?, ?) "
                    "ON CONFLICT (name) DO UPDATE SET shown = excluded.shown, "
                    "roles = excluded.roles, technician = excluded.technician, "
                    "email = excluded.email, shops = excluded.shops, withdrawn = 0, bad_tries = 0, locked_until = 0",
                    (key, shown, held, technician.strip(), _address(email), ";".join(shops)),
                )
            except sqlite3.IntegrityError as error:
                raise ShopspreadError(f"The address {email} belongs to another account.") from error
            self._end(con, key)
            con.execute(
                "INSERT INTO invitation VALUES (?, ?, ?)", (_seal(token), key, self._now() + INVITED_S)
            )
            self._note(con, by, key, "invited", held)
            self._an_owner_is_left(con)
        return token

    def set_roles(self, name: str, roles: Iterable[Role], *, by: str) -> None:
        """Change what somebody may; it holds from their next click or write on.

        Raises:
            ShopspreadError: for an unknown name, or where no owner would be left.
        """
        held = ";".join(parse_roles(roles))
        with self._open() as con:
            found = con.execute("UPDATE account SET roles = ? WHERE name = ?", (held, _key(name)))
            self._known(found, name)
            self._note(con, by, _key(name), "roles", held)
            self._an_owner_is_left(con)

    def withdraw(self, name: str, *, by: str) -> None:
        """Let somebody in no longer; their open pages close at once.

        Raises:
            ShopspreadError: for an unknown name, or where no owner would be left.
        """
        with self._open() as con:
            found = con.execute(
                "UPDATE account SET withdrawn = 1, password = NULL WHERE name = ?", (_key(name),)
            )
            self._known(found, name)
            self._end(con, _key(name))
            self._note(con, by, _key(name), "withdrawn")
            self._an_owner_is_left(con)

    def names_of(self, technician: str) -> list[str]:
        """What somebody of the shop's tables signs in as."""
        if not self.file.exists():
            return []
        with self._open(write=False) as con:
            return [shown for _, shown in self._of(con, technician)]

    @staticmethod
    def _of(con: sqlite3.Connection, technician: str) -> list[tuple[str, str]]:
        """Key and name of every account of somebody of the shop's tables."""
        own = own_name(technician)
        return con.execute(
            "SELECT name, shown FROM account WHERE (shops = '' AND technician = ?) "
            "OR (shops = ? AND (technician IN (?, ?) OR name = ?))",
            (technician, shop_of(technician), technician, own, _key(own)),
        ).fetchall()

    def rename(self, technician: str, pseudonym: str, *, by: str) -> int:
        """Put a pseudonym in the place of a leaver's name and withdraw them; returns how many accounts it was."""
        if not self.file.exists():
            return 0
        with self._open() as con:
            keys = [key for key, _ in self._of(con, technician)]
            for key in keys:
                self._end(con, key)
                con.execute("DELETE FROM account WHERE name = ?", (key,))
                con.execute("UPDATE event SET name = ? WHERE name = ?", (pseudonym, key))
                con.execute("UPDATE event SET by = ? WHERE by = ?", (pseudonym, key))
            if keys:
                self._note(con, by, pseudonym, "forgotten")
                self._an_owner_is_left(con)
        return len(keys)

    # -- coming in ---------------------------------------------------------------------------------------------------

    def invited(self, token: str) -> str | None:
        """The name an unused link is for, or None."""
        if not self.file.exists():
            return None
        with self._open(write=False) as con:
            row = con.execute(
                "SELECT shown FROM invitation JOIN account USING (name) "
                "WHERE token = ? AND until > ? AND NOT withdrawn",
                (_seal(token), self._now()),
            ).fetchone()
        return row[0] if row else None

    def accept(self, token: str, password: str) -> str:
        """Choose a password by a link that works once; returns the token of a session.

        Raises:
            SignInRefused: when the link was used, replaced or is too old.
            ShopspreadError: when the password is too short or too long.
        """
        if self.invited(token) is None:
            raise SignInRefused("This link was used before or is too old; ask for a new one.")
        sealed = passwords.sealed(password)
        with self._open() as con:
            row = con.execute(
                "DELETE FROM invitation WHERE token = ? AND until > ? RETURNING name",
                (_seal(token), self._now()),
            ).fetchone()
            if row is None:
                raise SignInRefused("This link was used before or is too old; ask for a new one.")
            con.execute(
                "UPDATE account SET password = ?, bad_tries = 0, locked_until = 0 WHERE name = ? AND NOT withdrawn",
                (sealed, row[0]),
            )
            self._note(con, row[0], row[0], "password chosen")
            return self._begin(con, row[0])

    def sign_in(self, name: str, password: str) -> str:
        """Check a name and a password; returns the token of a session.

        A wrong password and an unknown name take the same time and say the same. After five wrong ones in a row the
        account is locked for a quarter of an hour, also for the right password. A try counts before its password is
        looked at, and nobody waits for the accounts meanwhile: that takes long, by design.

        Raises:
            SignInRefused: with a sentence for the person.
        """
        if not self.file.exists():
            raise SignInRefused("Nobody is admitted yet.")
        key = _key(name)
        with self._open() as con:
            row = con.execute(
                "SELECT password, locked_until FROM account WHERE name = ? AND NOT withdrawn", (key,)
            ).fetchone()
            if row and row[1] > self._now():
                minutes = int((row[1] - self._now()) // 60) + 1
                raise SignInRefused(
                    f"Too many wrong passwords for this name; try again in {minutes} min, or ask for a new link."
                )
            con.execute(
                "UPDATE account SET locked_until = CASE WHEN bad_tries + 1 >= ? THEN ? ELSE locked_until END, "
                "bad_tries = CASE WHEN bad_tries + 1 >= ? THEN 0 ELSE bad_tries + 1 END WHERE name = ?",
                (TRIES, self._now() + LOCKED_S, TRIES, key),
            )
        stored = row[0] if row else None
        new = passwords.matched(stored, password)
        if new is None or stored is None:
            raise SignInRefused("Name and password do not fit together.")
        with self._open() as con:
            done = con.execute(
                "UPDATE account SET bad_tries = 0, locked_until = 0, password = ? "
                "WHERE name = ? AND password = ? AND NOT withdrawn",
                (new, key, stored),
            )
            if not done.rowcount:  # another password was chosen, or they were withdrawn, meanwhile
                raise SignInRefused("Name and password do not fit together.")
            return self._begin(con, key)

    def who(self, token: str) -> Viewer | None:
        """Whose session it is, with the roles they hold at this very moment; None where it is nobody's."""
        if not token or not self.file.exists():
            return None
        with self._open(write=False) as con:
            row = con.execute(
                "SELECT shown, roles, technician, shops FROM session JOIN account USING (name) "
                "WHERE token = ? AND until > ? AND NOT withdrawn",
                (_seal(token), self._now()),
            ).fetchone()
        return viewer_of(row[0], _roles(row[1]), row[2], _shops(row[3])) if row else None

    def of_email(self, email: str) -> Viewer | None:
        """Who an identity provider's verified address belongs to; None where nobody of that address is admitted."""
        address = _address(email)
        if address is None or not self.file.exists():
            return None
        with self._open(write=False) as con:
            row = con.execute(
                "SELECT shown, roles, technician, shops FROM account WHERE email = ? AND NOT withdrawn",
                (address,),
            ).fetchone()
        return viewer_of(row[0], _roles(row[1]), row[2], _shops(row[3])) if row else None

    def sign_out(self, token: str) -> None:
        """End a session; one that is none is no error."""
        if self.file.exists():
            with self._open() as con:
                con.execute("DELETE FROM session WHERE token = ?", (_seal(token),))

    # -- inside ------------------------------------------------------------------------------------------------------

    def _begin(self, con: sqlite3.Connection, key: str) -> str:
        token = secrets.token_urlsafe(32)
        con.execute("DELETE FROM session WHERE until <= ?", (self._now(),))
        con.execute("INSERT INTO session VALUES (?, ?, ?)", (_seal(token), key, self._now() + SESSION_S))
        return token

    def _end(self, con: sqlite3.Connection, key: str) -> None:
        con.execute("DELETE FROM session WHERE name = ?", (key,))
        con.execute("DELETE FROM invitation WHERE name = ?", (key,))

    def _note(self, con: sqlite3.Connection, by: str, name: str, what: str, detail: str = "") -> None:
        con.execute("INSERT INTO event VALUES (?, ?, ?, ?, ?)", (self._now(), _key(by), name, what, detail))

    @staticmethod
    def _known(found: sqlite3.Cursor, name: str) -> None:
        if not found.rowcount:
            raise ShopspreadError(f"Nobody of the name {name} is admitted; see 'shopspread accounts list'.")

    @staticmethod
    def _an_owner_is_left(con: sqlite3.Connection) -> None:
        rows = con.execute("SELECT roles FROM account WHERE NOT withdrawn").fetchall()
        if not any(Role.OWNER in _roles(roles) for (roles,) in rows):
            raise ShopspreadError("At least one owner must stay; make somebody else an owner first.")

    @contextmanager
    def _open(self, *, create: bool = False, write: bool = True) -> Iterator[sqlite3.Connection]:
        """One transaction: all or nothing, whatever happens inside."""
        if not create and not self.file.exists():
            raise ShopspreadError("Nobody is admitted yet; see 'shopspread accounts invite'.")
        try:
            if create and not self.file.exists():
                os.close(os.open(self.file, os.O_CREAT | os.O_WRONLY, 0o600))
            con = sqlite3.connect(self.file, timeout=BUSY_S, isolation_level=None)
            try:
                prepare(con)
                # A transaction that begins as a reader and then writes can be refused half-way.
                con.execute("BEGIN IMMEDIATE" if write else "BEGIN")
                try:
                    yield con
                except BaseException:
                    con.execute("ROLLBACK")
                    raise
                con.execute("COMMIT")
            finally:
                con.close()
        except sqlite3.Error as error:
            raise ShopspreadError(
                f"The accounts in {self.file} cannot be read or written: {error}."
            ) from error


def _roles(text: str) -> tuple[Role, ...]:
    return tuple(Role(word) for word in text.split(";") if word)


def _shops(text: str) -> tuple[str, ...]:
    return tuple(word for word in text.split(";") if word)


def _key(name: str) -> str:
    """A name as it is compared: 'Ann', 'ann' and look-alike forms of the same letters are one."""
    return passwords.folded(" ".join(name.split())).casefold()


def _address(email: str) -> str | None:
    return email.strip().casefold() or None


def _seal(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()
