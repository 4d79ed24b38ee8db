"""Captures that are unlike their stratum in any way, with reasons."""
