"""Options that several sub-commands share."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

WarehousePath = Annotated[
    Path,
    typer.Option(
        "--warehouse",
        envvar="SHOPSPREAD_WAREHOUSE",
        help="The warehouse folder (or its .duckdb file), or a shared one: "
        "'ducklake:postgres:CONNECTION folder=FOLDER'.",
        show_default=True,
    ),
]
Shop = Annotated[
    str,
    typer.Option(
        "--shop", help="Which shop, where several share the warehouse (none named: the one without a name)."
    ),
]
AsJson = Annotated[bool, typer.Option("--json", help="Print a JSON document instead of text.")]
Port = Annotated[int, typer.Option("--port", min=1, max=65535, help="Port on this machine (127.0.0.1).")]
