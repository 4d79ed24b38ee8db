"""The server process of the dashboard: Streamlit, with nothing taken from the surroundings.

Started by `dashboard.launch` with every option on the command line. A settings file in the working folder
or the home folder could otherwise open the door again (other addresses, other hosts, no check of where a
request comes from), and a request from a foreign page would make the server ask an outside service for its
own address.
"""

from __future__ import annotations

import socket
import sys
import threading
import time
import webbrowser

# The browser is opened once the server answers; should it take longer, its address stands in the terminal.
WAIT_S = 60.0


def harden() -> None:
    """Make Streamlit read no settings file and look up no address."""
    from streamlit import config, net_util

    def no_files(file_name: str) -> list[str]:  # noqa: ARG001
        return []

    def unknown() -> None:
        return None

    config.get_config_files = no_files
    net_util.get_external_ip = unknown
    net_util.get_internal_ip = unknown


def open_browser() -> None:
    """Open the dashboard in the person's browser where there is a screen and nobody asked for none."""
    from streamlit import config, runtime

    end = time.monotonic() + WAIT_S
    while not runtime.exists():
        if time.monotonic() > end:
            return
        time.sleep(0.05)
    if config.get_option("server.headless"):
        return
    host, port = str(config.get_option("server.address")), int(config.get_option("server.port"))
    host = "127.0.0.1" if host in ("0.0.0.0", "::") else host
    while time.monotonic() < end:
        try:
            with socket.create_connection((host, port), timeout=1):
                webbrowser.open(f"http://[{host}]:{port}" if ":" in host else f"http://{host}:{port}")
                return
        except OSError:
            time.sleep(0.1)


def main() -> None:
    """Run `streamlit` with this process's arguments."""
    harden()
    from streamlit.web import cli

    threading.Thread(target=open_browser, name="browser", daemon=True).start()

    cli.main(args=sys.argv[1:], prog_name="streamlit")


if __name__ == "__main__":
    main()
