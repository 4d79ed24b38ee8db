"""The `shopspread` command."""

from pipelines.cli.app import app, main

__all__ = ["app", "main"]
