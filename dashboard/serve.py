"""The server process of the dashboard: Streamlit, with nothing taken from the surroundings.

Started by `dashboard.launch` with every option on the command line. A settings file in the working folder
or the home folder could otherwise open the door again (other addresses, other hosts, no check of where a
request comes from), and a request from a foreign page would make the server ask an outside service for its
own address.
"""

from __future__ import annotations

import sys


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


def main() -> None:
    """Run `streamlit` with this process's arguments."""
    harden()
    from streamlit.web import cli

    from dashboard import warm

    warm.start()

    cli.main(args=sys.argv[1:], prog_name="streamlit")


if __name__ == "__main__":
    main()
