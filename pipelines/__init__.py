"""Ingest: saved captures and their outcomes become feature rows in the warehouse."""
