"""Captures that are unlike their group in any way, with reasons."""
