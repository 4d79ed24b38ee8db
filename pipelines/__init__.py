"""Ingest: saved captures and their outcomes become feature rows in the warehouse."""

__version__ = "0.2.0"
