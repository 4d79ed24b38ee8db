"""The `shopspread` command: one function a sub-command, the work itself elsewhere.

Exit status: 0 everything asked for was done; 1 done, but something was refused or waits; 2 the call
itself was wrong. Results go to stdout, progress and messages to stderr.
"""

from __future__ import annotations

import datetime as dt
import difflib
import errno
import os
import sys
import time
from pathlib import Path
from typing import Annotated

import typer

from pipelines import __version__
from pipelines.cli import admit, journal, upkeep
from pipelines.cli import output as out
from pipelines.cli.options import AsJson, Port, Shop, WarehousePath
from pipelines.errors import ShopspreadError, UnreadableFile
from pipelines.warehouse.database import DEFAULT_WAREHOUSE, Warehouse, places
from pipelines.warehouse.duckdb_file import DATABASE_NAME

# Set in the environment, it shows where a fault of ours happened.
TRACEBACK = "SHOPSPREAD_TRACEBACK"

app = typer.Typer(
    name="shopspread",
    help="Reads every saved oscilloscope capture and its outcome into a warehouse, learns what spread is "
    "normal for each engine family, and shows a shop how it is doing.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)


def _version(asked: bool) -> None:
    if asked:
        out.result(f"shopspread {__version__}")
        raise typer.Exit


@app.callback()
def shopspread(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Say the version and stop.")
    ] = False,
) -> None:
    """The options before the command's name."""


@app.command()
def ingest(
    drop: Annotated[
        Path | None,
        typer.Argument(help="The drop folder: shop tables at its top, waveform files anywhere below."),
    ] = None,
    warehouse: WarehousePath = DEFAULT_WAREHOUSE,
    fit: Annotated[
        bool, typer.Option("--fit/--no-fit", help="Recompute spread and thresholds afterwards.")
    ] = True,
    reread: Annotated[
        bool, typer.Option("--reread", help="Read every stored waveform again with today's reader.")
    ] = False,
    jobs: Annotated[
        int | None, typer.Option("--jobs", min=1, help="Worker processes (default: one per processor).")
    ] = None,
    on: Annotated[
        str | None,
        typer.Option("--on", help="Read on a cluster: dask://HOST:PORT, or dask://local/N processes here."),
    ] = None,
    shop: Shop = "",
) -> None:
    """Read a drop folder into the warehouse.

    Says what became of each thing in it. The folder itself is never changed. Dropping the same thing
    twice changes nothing.
    """
    from pipelines.fit.run import fit_warehouse
    from pipelines.intake.ingest import ingest as run_ingest

    if drop is None and not reread:
        raise typer.BadParameter("name the drop folder (or give --reread to read the stored waveforms again)")
    if drop is not None and not drop.is_dir():
        raise ShopspreadError(f"The drop folder {drop} does not exist or is no folder.")
    store = Warehouse(warehouse, create=drop is not None)
    with out.progress("Reading captures") as step:
        summary = run_ingest(drop, store, reread=reread, jobs=jobs, progress=step, on=on, shop=shop)
    fitted = None
    if fit:
        with out.waiting("Learning what spread is normal"):
            fitted = fit_warehouse(store)
    out.intake(summary, fitted, warehouse)
    raise typer.Exit(0 if summary.clean else 1)


@app.command()
def read(
    file: Annotated[Path, typer.Argument(help="One saved capture.")],
    family_file: Annotated[
        Path | None, typer.Option("--family-file", help="A table of engine families (engine_families.csv).")
    ] = None,
    engine_family: Annotated[
        str,
        typer.Option("--engine-family", help="The engine family of this capture, where the test needs it."),
    ] = "",
    test: Annotated[
        str, typer.Option("--test", help="The test that was made (none named: the first of the course).")
    ] = "",
    ch1: Annotated[
        str, typer.Option("--ch1", help="Signal on channel 1 (no channel named: the test's usual hookup).")
    ] = "",
    ch2: Annotated[str, typer.Option("--ch2", help="Signal on channel 2.")] = "",
    ch3: Annotated[str, typer.Option("--ch3", help="Signal on channel 3.")] = "",
    ch4: Annotated[str, typer.Option("--ch4", help="Signal on channel 4.")] = "",
    ch5: Annotated[str, typer.Option("--ch5", help="Signal on channel 5.")] = "",
    ch6: Annotated[str, typer.Option("--ch6", help="Signal on channel 6.")] = "",
    ch7: Annotated[str, typer.Option("--ch7", help="Signal on channel 7.")] = "",
    ch8: Annotated[str, typer.Option("--ch8", help="Signal on channel 8.")] = "",
    scales: Annotated[
        str,
        typer.Option("--scales", help="What turns each channel's numbers into V or A, by channel: '1;20'."),
    ] = "",
    index_element: Annotated[
        int, typer.Option("--sync-cylinder", min=1, help="Cylinder the sync is on.")
    ] = 1,
    as_json: AsJson = False,
) -> None:
    """Read one capture without a warehouse.

    Prints each element against the others with its standard error, and what the setup
    checks say.
    """
    from pipelines.cli.read_one import read_one

    known, reading, waveform = read_one(
        file,
        family_file=family_file,
        engine_family=engine_family,
        test=test,
        signals=(ch1, ch2, ch3, ch4, ch5, ch6, ch7, ch8),
        scales=scales,
        index_element=index_element,
    )
    out.reading(file, engine_family, known, reading, waveform, as_json=as_json)
    raise typer.Exit(0 if reading.status == "read" else 1)


@app.command()
def fit(warehouse: WarehousePath = DEFAULT_WAREHOUSE) -> None:
    """Recompute spread, outliers and thresholds.

    An ingest does this too, unless told not to.
    """
    from pipelines.fit.run import fit_warehouse

    store = Warehouse(warehouse)
    with out.waiting("Learning what spread is normal"):
        fitted = fit_warehouse(store)
    out.fitted(fitted)


@app.command()
def report(
    warehouse: WarehousePath = DEFAULT_WAREHOUSE,
    as_of: Annotated[
        dt.datetime | None,
        typer.Option(
            "--as-of",
            formats=["%Y-%m-%d"],
            help="Show the shop as it stood at the end of this day (default: the newest day on record).",
        ),
    ] = None,
    as_json: AsJson = False,
    shop: Shop = "",
) -> None:
    """Print the shop's answers on one page.

    Scope use, comebacks, technicians and engine families, each figure with its n and interval.
    """
    from pipelines.reports.report import build_report, refuse_future
    from pipelines.warehouse.shops import wanted_shop

    store = Warehouse(warehouse)
    if as_of is not None:
        refuse_future(store, as_of.date())
    one = wanted_shop(store, shop, what="A report")
    with out.waiting("Working out the report"):
        document = build_report(store, as_of=as_of.date() if as_of else None, shop=one)
    out.report(document, as_json=as_json)


@app.command()
def digest(
    week: Annotated[
        dt.datetime | None,
        typer.Option(
            "--week",
            formats=["%Y-%m-%d"],
            help="Any day of the week to sum up (default: the last week that is over).",
        ),
    ] = None,
    warehouse: WarehousePath = DEFAULT_WAREHOUSE,
    output: Annotated[
        Path | None, typer.Option("--output", help="Where to write (default: digest-YEAR-Wnn.html here).")
    ] = None,
    mail_to: Annotated[
        list[str] | None,
        typer.Option(
            "--mail-to",
            help="Mail it to this address through the shop's own SMTP server, which SHOPSPREAD_SMTP_HOST, _PORT, "
            "_SECURITY (starttls, tls or none), _USER, _PASSWORD and _FROM name; may be given several times.",
        ),
    ] = None,
    shop: Shop = "",
) -> None:
    """Write one week's digest as one HTML file, or mail it.

    What needs a decision comes first, then what changed, pictures inside.
    """
    from dashboard.documents import digest as document
    from dashboard.documents import mail
    from pipelines.reports.report import refuse_future
    from pipelines.reports.week import last_week, waits_of, week_of
    from pipelines.warehouse.shops import wanted_shop

    recipients = [mail.checked_address(one) for one in mail_to or []]
    server = mail.mail_server() if recipients else None
    store = Warehouse(warehouse)
    if week is not None:
        refuse_future(store, week.date() - dt.timedelta(days=week.weekday()))
    one = wanted_shop(store, shop, what="A digest")
    with out.waiting("Writing the digest"):
        facts = week_of(store, week.date() if week else last_week(store, shop=one), one)
        waits = waits_of(store, facts, one)
        path = document.write_digest(facts, waits, output) if output or not recipients else None
    if path is not None:
        out.say(f"The digest stands in {path}.")
        out.result(str(path))
    if server is not None:
        message = mail.digest_message(facts, waits, document.render(facts, waits), server.sender, recipients)
        mail.send(message, server)
        out.say(f"The digest of the week of {facts.monday} went to {', '.join(recipients)}.")


@app.command(context_settings={"ignore_unknown_options": True})  # a negative value is no option
def settings(
    name: Annotated[str | None, typer.Argument(help="A setting to look at or change.")] = None,
    value: Annotated[str | None, typer.Argument(help="Its new value.")] = None,
    warehouse: WarehousePath = DEFAULT_WAREHOUSE,
    by: Annotated[str, typer.Option("--by", help="Who decides this; kept with the change.")] = "",
    as_json: AsJson = False,
) -> None:
    """Show the shop's settings, or change one.

    The old value stays in the log.
    """
    from pipelines.warehouse.decisions import read_settings, set_setting
    from pipelines.warehouse.settings import setting

    store = Warehouse(warehouse)
    if name is not None and value is not None:
        wanted = setting(name).parse(value)
        if not by.strip():
            raise ShopspreadError("Say who decides this, with --by NAME; the name is kept with the change.")
        set_setting(store, name, wanted, set_by=by)
    elif name is not None:
        setting(name)
    out.settings(read_settings(store), name, as_json=as_json)


@app.command()
def dashboard(
    warehouse: WarehousePath = DEFAULT_WAREHOUSE,
    port: Port = 8501,
    host: Annotated[
        str,
        typer.Option(
            "--host", help="Address to serve at; any but this machine's own needs people who can sign in."
        ),
    ] = "127.0.0.1",
    name: Annotated[
        list[str] | None,
        typer.Option("--name", help="A name browsers call this server by; may be given again."),
    ] = None,
    new: Annotated[
        bool, typer.Option("--new", help="Start a new, empty warehouse where there is none.")
    ] = False,
) -> None:
    """Open the dashboard on this machine, or serve it to the shop's network.

    Once somebody is admitted (shopspread accounts), everybody signs in.
    """
    from dashboard.launch import launch

    if not new and not places(warehouse)[0].exists():
        raise ShopspreadError(
            f"There is no warehouse at {warehouse}{_near(warehouse)}. Ingest a drop folder first, build the demo with "
            "`shopspread demo`, or start an empty one there with --new."
        )
    Warehouse(warehouse, create=new)
    launch(warehouse, port, host=host, names=name or ())


def _near(warehouse: Path) -> str:
    """A warehouse beside it whose name is much like it, as a question."""
    beside = warehouse.absolute().parent
    names = [one.parent.name for one in beside.glob(f"*/{DATABASE_NAME}")]
    close = difflib.get_close_matches(warehouse.name, names, n=1)
    return f"; did you mean {warehouse.parent / close[0]}?" if close else ""


@app.command()
def demo(
    path: Annotated[
        Path, typer.Argument(help="Folder for the demo: its captures, its warehouse and the planted truth.")
    ] = Path("shopspread_demo"),
    port: Port = 8501,
    open_dashboard: Annotated[
        bool,
        typer.Option("--dashboard/--no-dashboard", help="Open the dashboard when the warehouse is built."),
    ] = True,
) -> None:
    """Build the demo and open the dashboard.

    The shop, its people and its vehicles are invented; the waveforms come from a simulation and are
    read by the same pipeline as yours.
    """
    from demo_warehouse.warehouse import build_demo

    built = build_demo(path)
    if built.summary is not None:
        out.intake(built.summary, built.fitted, path)
    out.say(f"The demo warehouse stands in {path}; the planted truth in {built.truth}.")
    if open_dashboard:
        from dashboard.launch import launch

        launch(path, port)


upkeep.register(app)
app.add_typer(admit.accounts, name="accounts")


def main() -> None:
    """Entry point: whatever stops a command becomes one plain sentence on stderr and an exit status."""
    journal.start()
    started = time.monotonic()
    command = next((word for word in sys.argv[1:] if not word.startswith("-")), "")
    known = {one.name or (one.callback.__name__ if one.callback else "") for one in app.registered_commands}
    command = command if command in known else ""  # anything else may be somebody's name
    journal.event("start", command=command)
    status: int | str | None = 0
    try:
        _run()
    except SystemExit as end:
        status = end.code
        raise
    finally:
        journal.event("end", command=command, status=status, seconds=round(time.monotonic() - started, 3))


def _run() -> None:
    try:
        app()
    except UnreadableFile as error:
        out.say(f"refused: {error}")
        sys.exit(1)
    except ShopspreadError as error:
        out.say(f"shopspread: {error}")
        sys.exit(2)
    except BrokenPipeError:
        # Whoever read our output has seen enough; what was done is done.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(0)
    except OSError as error:
        out.say(f"shopspread: {_os_sentence(error)}")
        sys.exit(2)
    except Exception as error:
        if os.environ.get(TRACEBACK):
            raise
        out.say(
            f"shopspread: a fault in this program stopped it ({type(error).__name__}: {error}). What had landed is "
            f"whole. Please report it with what {TRACEBACK}=1 shows."
        )
        sys.exit(2)


def _os_sentence(error: OSError) -> str:
    where = f" ({error.filename})" if error.filename else ""
    if error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
        return f"The disk is full{where}; make room and do it again. What had landed is whole."
    return f"{error.strerror or error}{where}; give permission or name another place, and do it again."
