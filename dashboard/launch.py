"""Start the dashboard: one Streamlit server on this machine, with every option on its command line.

Nothing is read from a configuration file or from the environment's settings of the server, because the folder
the user stands in is not ours (see `dashboard.serve`). To others in the shop's network it is served only where people
sign in.
"""

from __future__ import annotations

import ipaddress
import os
import socket
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

from dashboard.shared.palette import THEME
from pipelines.access import provider
from pipelines.access.accounts import Accounts
from pipelines.access.roles import Role
from pipelines.errors import ShopspreadError
from pipelines.source import MAX_BYTES

WAREHOUSE_VARIABLE = "SHOPSPREAD_WAREHOUSE"
SIGN_IN_VARIABLE = "SHOPSPREAD_SIGN_IN"
"""Set for the server where people sign in; every look and every write then asks who it is."""
ADDRESS = "127.0.0.1"
# Names a browser on this machine may call us by. A page elsewhere whose name is made to resolve to this
# machine sends its own name, and is refused.
HOSTS = (ADDRESS, "localhost")
APP = Path(__file__).resolve().with_name("app.py")
SERVE = APP.with_name("serve.py")
SERVED = APP.with_name("door") / "asgi.py"
SERVER_SETTINGS = "STREAMLIT_"


def command(
    port: int,
    *,
    headless: bool | None = None,
    host: str = ADDRESS,
    names: Sequence[str] = (),
) -> list[str]:
    """The command line that serves the dashboard.

    Args:
        port: TCP port on this machine.
        headless: True opens no browser; None opens one where there is a screen.
        host: address to listen at. names: further names browsers may call the server by.
    """
    options = {
        "server.address": host,
        "server.port": str(port),
        "server.enableCORS": "true",
        "server.enableXsrfProtection": "true",
        "server.enableStaticServing": "false",
        "server.baseUrlPath": "",
        "server.fileWatcherType": "none",
        "server.maxUploadSize": str((MAX_BYTES >> 20) - 1),  # a whole half GiB would be shown as "1GB"
        "global.developmentMode": "false",
        "server.showEmailPrompt": "false",
        "browser.serverAddress": host,
        "browser.gatherUsageStats": "false",
        "client.showErrorDetails": "none",
        # Else pages of Streamlit's own hosting, where anybody may put one, could steer a dashboard they frame.
        "client.allowedOrigins": f"http://{host}:{port}",
        "client.toolbarMode": "minimal",
        "runner.magicEnabled": "false",
        **THEME,
    }
    if headless is not None:
        options["server.headless"] = str(headless).lower()
    flags = [part for name, value in options.items() for part in (f"--{name}", value)]
    allowed = dict.fromkeys((*HOSTS, *(_own_names() if _any_address(host) else (host,)), *names))
    flags += [part for name in allowed for part in ("--server.allowedHosts", name)]
    # -P: nothing in the working folder is imported, whatever it is called.
    return [sys.executable, "-P", str(SERVE), "run", str(SERVED), *flags]


def _own_names() -> list[str]:
    """This machine's name and addresses, as its own tables know them; nobody outside is asked."""
    name = socket.gethostname()
    try:
        found = {str(info[4][0]) for info in socket.getaddrinfo(name, None, socket.AF_INET)}
    except OSError:
        found = set()
    return [name, *sorted(found)]


def _any_address(host: str) -> bool:
    return host in ("0.0.0.0", "::")


def accounts_of(warehouse: Path) -> Accounts:
    """Who may sign in to the dashboard of a warehouse."""
    from pipelines.warehouse.database import places

    return Accounts.of(places(warehouse)[0])


def needs_sign_in(warehouse: Path, host: str) -> bool:
    """Whether people sign in: always where others can reach the server, and wherever somebody is admitted.

    Raises:
        ShopspreadError: when others could reach it and nobody could sign in, or the provider is half described.
    """
    by_provider = provider.secrets_of(os.environ) is not None
    owner = accounts_of(warehouse).anybody(Role.OWNER)
    if not _this_machine(host) and not owner:
        raise ShopspreadError(
            f"At {host} others could open the dashboard, and nobody can sign in yet, so it was not started; without "
            f"--host it stays on {ADDRESS}. Admit an owner first: shopspread accounts invite NAME --role owner"
            + (" --email ADDRESS." if by_provider else ".")
        )
    return owner


def _this_machine(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def environment(warehouse: Path, *, sign_in: bool = False) -> dict[str, str]:
    """The environment of the server: which warehouse, where our packages stand, and no settings of the server.

    `streamlit run` puts only the script's own folder on the import path, so the folder that holds our
    packages is named here; it makes no difference where they are installed.
    """
    from pipelines.warehouse.database import absolute

    given = {name: value for name, value in os.environ.items() if not name.startswith(SERVER_SETTINGS)}
    given[WAREHOUSE_VARIABLE] = str(absolute(Path(warehouse)))
    given.pop(SIGN_IN_VARIABLE, None)
    if sign_in:
        given[SIGN_IN_VARIABLE] = "1"
    paths = [str(APP.parents[1]), *given.get("PYTHONPATH", "").split(os.pathsep)]
    for threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        # Our matrices are small: many threads on them only get into each other's way.
        given.setdefault(threads, "1")
    # A stray models.py in the folder the user stands in must not take the place of our package.
    given["PYTHONSAFEPATH"] = "1"
    given["PYTHONPATH"] = os.pathsep.join(path for path in paths if path)
    return given


def launch(
    warehouse: Path,
    port: int,
    *,
    headless: bool | None = None,
    host: str = ADDRESS,
    names: Sequence[str] = (),
) -> None:
    """Serve the dashboard of a warehouse until it is stopped (Ctrl-C).

    Raises:
        ShopspreadError: when the port is taken, or others could reach it and nobody could sign in.
    """
    sign_in = needs_sign_in(warehouse, host)
    with socket.socket() as probe:
        # As the server itself will: a port still cooling down from the last run may be used again.
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError as error:
            raise ShopspreadError(
                f"Port {port} at {host} is taken or cannot be opened ({error.strerror}), perhaps by a dashboard "
                f"already open at http://{host}:{port}; look there, or give another number with --port."
            ) from error
    sys.stderr.write(f"The dashboard is at http://{host}:{port} (stop it with Ctrl-C).\n")
    sys.stderr.flush()
    arguments = command(port, headless=headless, host=host, names=names)
    given = environment(warehouse, sign_in=sign_in)
    if os.name == "posix":
        # Taking this process's place, so that whoever stops it stops the server.
        os.execve(arguments[0], arguments, given)
    subprocess.run(arguments, env=given, check=False)
