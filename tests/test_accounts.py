"""Who may sign in: links that work once, passwords, lock-out, roles that change at once.

Outside sources: RFC 9106 (Argon2id and its second recommended set of parameters), NIST SP 800-63B-4 (length of a
password that is the only factor, from memory), Unicode NFKC by the standard library.
"""

from __future__ import annotations

import sqlite3
import stat
from pathlib import Path

import pytest
from typer.testing import CliRunner

from pipelines.access import passwords
from pipelines.access.accounts import INVITED_S, LOCKED_S, SESSION_S, TRIES, Accounts, SignInRefused
from pipelines.access.roles import RIGHTS, Right, Role, parse_roles
from pipelines.cli.admit import rights_table
from pipelines.cli.app import app
from pipelines.errors import ShopspreadError

ROOT = Path(__file__).parents[1]
PASSWORD = "four plain words do"
OTHER = "another long sentence"


class Clock:
    """Seconds that pass when told to."""

    def __init__(self) -> None:
        self.now = 1_000_000.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def accounts(tmp_path: Path, clock: Clock, quick_hashes: None) -> Accounts:  # noqa: ARG001
    """An owner who has signed in before."""
    found = Accounts.of(tmp_path / "shopspread.duckdb")
    found._now = clock
    found.accept(found.invite("Olga", [Role.OWNER], by="test"), PASSWORD)
    return found


def test_a_link_works_once_and_gives_a_session(accounts: Accounts) -> None:
    link = accounts.invite("Tarn", [Role.TRAINER], technician="t7", by="Olga")
    assert accounts.invited(link) == "Tarn"
    who = accounts.who(accounts.accept(link, OTHER))
    assert who is not None
    assert (who.name, who.roles, who.technician) == ("Tarn", (Role.TRAINER,), "t7")
    assert accounts.invited(link) is None
    with pytest.raises(SignInRefused, match="used before"):
        accounts.accept(link, OTHER)


def test_a_link_ages_and_a_new_one_ends_the_old(accounts: Accounts, clock: Clock) -> None:
    first = accounts.invite("Tarn", [Role.TRAINER], by="Olga")
    second = accounts.invite("Tarn", [Role.TRAINER], by="Olga")
    assert accounts.invited(first) is None
    clock.now += INVITED_S + 1
    assert accounts.invited(second) is None
    with pytest.raises(SignInRefused):
        accounts.accept(second, OTHER)


@pytest.mark.parametrize("password", ["", "fourteen signs", "x" * 257])
def test_a_password_has_its_length_and_a_refused_one_spends_no_link(
    accounts: Accounts, password: str
) -> None:
    link = accounts.invite("Tarn", [Role.TRAINER], by="Olga")
    with pytest.raises(ShopspreadError, match="at least 15"):
        accounts.accept(link, password)
    assert accounts.invited(link) == "Tarn"


def test_the_right_password_and_no_other(accounts: Accounts) -> None:
    assert accounts.who(accounts.sign_in("olga", PASSWORD)) is not None
    sentences = set()
    for name, password in (("Olga", OTHER), ("Olga", ""), ("nobody", PASSWORD), ("Olga", PASSWORD.upper())):
        with pytest.raises(SignInRefused) as refused:
            accounts.sign_in(name, password)
        sentences.add(str(refused.value))
    assert len(sentences) == 1, "nothing tells a wrong name from a wrong password"


def test_one_name_in_other_letters_is_one_account(accounts: Accounts) -> None:
    assert accounts.who(accounts.sign_in("\uff2flga ", PASSWORD)) is not None  # a full-width O
    accounts.invite("OLGA", [Role.OWNER, Role.LEAD], by="test")
    assert [one.name for one in accounts.listing()] == ["OLGA"]


def test_wrong_passwords_lock_for_a_while_also_against_the_right_one(
    accounts: Accounts, clock: Clock
) -> None:
    for _ in range(TRIES):
        with pytest.raises(SignInRefused, match="fit together"):
            accounts.sign_in("Olga", OTHER)
    with pytest.raises(SignInRefused, match="Too many"):
        accounts.sign_in("Olga", PASSWORD)
    assert accounts.listing()[0].locked
    clock.now += LOCKED_S + 1
    assert accounts.who(accounts.sign_in("Olga", PASSWORD)) is not None


def test_a_right_password_clears_the_count(accounts: Accounts) -> None:
    for _ in range(3):
        for _ in range(TRIES - 1):
            with pytest.raises(SignInRefused):
                accounts.sign_in("Olga", OTHER)
        assert accounts.sign_in("Olga", PASSWORD)


def test_nobody_waits_while_a_password_is_weighed_and_the_try_counts_before(
    accounts: Accounts, monkeypatch: pytest.MonkeyPatch
) -> None:
    session, weigh = accounts.sign_in("Olga", PASSWORD), passwords.matched
    seen: list[object] = []

    def slowly(stored: str | None, password: str) -> str | None:
        if len(seen) < TRIES - 1:  # as many others at the same moment, each a try of its own
            seen.append(accounts.who(session))
            with pytest.raises(SignInRefused):
                accounts.sign_in("Olga", OTHER)
        return weigh(stored, password)

    monkeypatch.setattr(passwords, "matched", slowly)
    with pytest.raises(SignInRefused, match="fit together"):
        accounts.sign_in("Olga", OTHER)
    assert len(seen) == TRIES - 1
    assert None not in seen
    with pytest.raises(SignInRefused, match="Too many"):
        accounts.sign_in("Olga", PASSWORD)


def test_the_last_try_may_be_the_right_one(accounts: Accounts) -> None:
    for _ in range(TRIES - 1):
        with pytest.raises(SignInRefused):
            accounts.sign_in("Olga", OTHER)
    assert accounts.sign_in("Olga", PASSWORD)
    assert not accounts.listing()[0].locked


def test_a_password_that_was_changed_while_it_was_weighed_lets_nobody_in(
    accounts: Accounts, monkeypatch: pytest.MonkeyPatch
) -> None:
    weigh = passwords.matched

    def slowly(stored: str | None, password: str) -> str | None:
        accounts.accept(accounts.invite("Olga", [Role.OWNER], by="test"), OTHER)
        return weigh(stored, password)

    monkeypatch.setattr(passwords, "matched", slowly)
    with pytest.raises(SignInRefused, match="fit together"):
        accounts.sign_in("Olga", PASSWORD)


def test_a_role_holds_from_the_next_look_on(accounts: Accounts) -> None:
    session = accounts.accept(accounts.invite("Lea", [Role.LEAD], by="Olga"), OTHER)
    before = accounts.who(session)
    accounts.set_roles("lea", [Role.TECHNICIAN], by="Olga")
    after = accounts.who(session)
    assert before is not None
    assert after is not None
    assert before.may(Right.DECIDE)
    assert not after.may(Right.DECIDE)


def test_who_is_withdrawn_is_out_at_once_and_for_good(accounts: Accounts) -> None:
    session = accounts.accept(accounts.invite("Lea", [Role.LEAD], email="Lea@shop.example", by="Olga"), OTHER)
    assert accounts.of_email("lea@SHOP.example") is not None
    accounts.withdraw("Lea", by="Olga")
    assert accounts.who(session) is None
    assert accounts.of_email("lea@shop.example") is None
    with pytest.raises(SignInRefused):
        accounts.sign_in("Lea", OTHER)


def test_an_owner_always_stays(accounts: Accounts) -> None:
    for attempt in (
        lambda: accounts.withdraw("Olga", by="Olga"),
        lambda: accounts.set_roles("Olga", [Role.LEAD], by="Olga"),
        lambda: accounts.invite("Olga", [Role.LEAD], by="Olga"),
    ):
        with pytest.raises(ShopspreadError, match="owner must stay"):
            attempt()
        assert accounts.anybody(Role.OWNER)


def test_a_session_ends(accounts: Accounts, clock: Clock) -> None:
    session = accounts.sign_in("Olga", PASSWORD)
    accounts.sign_out(session)
    assert accounts.who(session) is None
    again = accounts.sign_in("Olga", PASSWORD)
    clock.now += SESSION_S + 1
    assert accounts.who(again) is None
    assert accounts.who("") is None


def test_the_file_is_the_owners_and_holds_no_secret(accounts: Accounts) -> None:
    session = accounts.sign_in("Olga", PASSWORD)
    link = accounts.invite("Tarn", [Role.TRAINER], by="Olga")
    assert stat.S_IMODE(accounts.file.stat().st_mode) == 0o600
    held = accounts.file.read_bytes()
    for secret in (PASSWORD, session, link):
        assert secret.encode() not in held


def test_a_password_is_sealed_as_the_standard_recommends(tmp_path: Path) -> None:
    accounts = Accounts(tmp_path / "a.sqlite")
    session = accounts.accept(accounts.invite("Olga", [Role.OWNER], by="test"), PASSWORD)
    with sqlite3.connect(accounts.file) as con:
        (sealed,) = con.execute("SELECT password FROM account WHERE name = 'olga'").fetchone()
    # RFC 9106, section 4: Argon2id, t=3, p=4, m=2^16 KiB where memory is scarce.
    assert sealed.startswith("$argon2id$v=19$m=65536,t=3,p=4$")
    assert accounts.who(session) is not None


def test_a_leaver_goes_under_a_pseudonym(accounts: Accounts) -> None:
    session = accounts.accept(accounts.invite("Leah", [Role.OWNER], technician="leah", by="Olga"), OTHER)
    accounts.invite("Tarn", [Role.TRAINER], by="Leah")
    assert accounts.rename("leah", "person-1", by="Olga") == 1
    assert accounts.who(session) is None
    assert b"leah" not in accounts.file.read_bytes().lower()


def test_an_address_is_one_persons(accounts: Accounts) -> None:
    accounts.invite("Lea", [Role.LEAD], email="lea@shop.example", by="Olga")
    with pytest.raises(ShopspreadError, match="another account"):
        accounts.invite("Tarn", [Role.TRAINER], email="LEA@shop.example", by="Olga")


def test_every_right_is_somebodys_and_the_owner_has_all() -> None:
    assert RIGHTS[Role.OWNER] == frozenset(Right)
    for right in set(Right) - {Right.ADMIT}:
        assert any(right in RIGHTS[role] for role in set(Role) - {Role.OWNER}), right
    with pytest.raises(ShopspreadError, match="no role"):
        parse_roles(["boss"])


def test_the_readme_shows_the_table_as_it_is_held() -> None:
    assert rights_table() in (ROOT / "README.md").read_text(encoding="utf-8")


def test_forgetting_a_technician_takes_their_account(tmp_path: Path, quick_hashes: None) -> None:  # noqa: ARG001
    drop = tmp_path / "drop"
    drop.mkdir()
    (drop / "technicians.csv").write_text("technician,started_on\nleah,2025-01-07\n")
    run = CliRunner()
    place = ["--warehouse", str(tmp_path / "w")]
    assert run.invoke(app, ["ingest", str(drop), "--no-fit", *place]).exit_code == 0
    accounts = Accounts.of(tmp_path / "w" / "shopspread.duckdb")
    accounts.invite("Olga", [Role.OWNER], by="test")
    session = accounts.accept(
        accounts.invite("Leah", [Role.TECHNICIAN], technician="leah", by="test"), PASSWORD
    )
    assert run.invoke(app, ["forget", "leah", "--yes", *place]).exit_code == 0
    assert accounts.who(session) is None
    assert [one.name for one in accounts.listing()] == ["Olga"]
