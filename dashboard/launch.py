"""Start the dashboard: one Streamlit server on this machine, with every option on its command line.

Nothing is read from a configuration file or from the environment's settings of the server, because the folder
the user stands in is not ours (see `dashboard.serve`).
"""

from __future__ import annotations

import os
import socket
import subprocess
import sys
from pathlib import Path

from dashboard.shared.palette import THEME
from pipelines.errors import ShopspreadError
from pipelines.source import MAX_BYTES

WAREHOUSE_VARIABLE = "SHOPSPREAD_WAREHOUSE"
ADDRESS = "127.0.0.1"
# Names a browser on this machine may call us by. A page elsewhere whose name is made to resolve to this
# machine sends its own name, and is refused.
HOSTS = (ADDRESS, "localhost")
APP = Path(__file__).resolve().with_name("app.py")
SERVE = APP.with_name("serve.py")
SERVER_SETTINGS = "STREAMLIT_"


def command(port: int, *, headless: bool | None = None) -> list[str]:
    """The command line that serves the dashboard.

    Args:
        port: TCP port on this machine.
        headless: True opens no browser; None leaves it to Streamlit (it opens one where there is a screen).
    """
    options = {
        "server.address": ADDRESS,
        "server.port": str(port),
        "server.enableCORS": "true",
        "server.enableXsrfProtection": "true",
        "server.enableStaticServing": "false",
        "server.baseUrlPath": "",
        "server.fileWatcherType": "none",
        "server.maxUploadSize": str((MAX_BYTES >> 20) - 1),  # a whole half GiB would be shown as "1GB"
        "global.developmentMode": "false",
        "server.showEmailPrompt": "false",
        "browser.serverAddress": ADDRESS,
        "browser.gatherUsageStats": "false",
        "client.showErrorDetails": "none",
        "client.toolbarMode": "minimal",
        "runner.magicEnabled": "false",
        **THEME,
    }
    if headless is not None:
        options["server.headless"] = str(headless).lower()
    flags = [part for name, value in options.items() for part in (f"--{name}", value)]
    flags += [part for host in HOSTS for part in ("--server.allowedHosts", host)]
    # -P: nothing in the working folder is imported, whatever it is called.
    return [sys.executable, "-P", str(SERVE), "run", str(APP), *flags]


def environment(warehouse: Path) -> dict[str, str]:
    """The environment of the server: which warehouse, where our packages stand, and no settings of the server.

    `streamlit run` puts only the script's own folder on the import path, so the folder that holds our
    packages is named here; it makes no difference where they are installed.
    """
    given = {name: value for name, value in os.environ.items() if not name.startswith(SERVER_SETTINGS)}
    given[WAREHOUSE_VARIABLE] = str(Path(warehouse).resolve())
    paths = [str(APP.parents[1]), *given.get("PYTHONPATH", "").split(os.pathsep)]
    for threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        # Our matrices are small: many threads on them only get into each other's way.
        given.setdefault(threads, "1")
    # A stray models.py in the folder the user stands in must not take the place of our package.
    given["PYTHONSAFEPATH"] = "1"
    given["PYTHONPATH"] = os.pathsep.join(path for path in paths if path)
    return given


def launch(warehouse: Path, port: int, *, headless: bool | None = None) -> None:
    """Serve the dashboard of a warehouse until it is stopped (Ctrl-C).

    Raises:
        ShopspreadError: when the port is taken.
    """
    with socket.socket() as probe:
        # As the server itself will: a port still cooling down from the last run may be used again.
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((ADDRESS, port))
        except OSError as error:
            raise ShopspreadError(
                f"Port {port} on this machine is taken, perhaps by a dashboard already open at "
                f"http://{ADDRESS}:{port}; look there, or give another number with --port."
            ) from error
    sys.stderr.write(f"The dashboard is at http://{ADDRESS}:{port} (stop it with Ctrl-C).\n")
    sys.stderr.flush()
    arguments, given = command(port, headless=headless), environment(warehouse)
    if os.name == "posix":
        # Taking this process's place, so that whoever stops it stops the server.
        os.execve(arguments[0], arguments, given)
    subprocess.run(arguments, env=given, check=False)
