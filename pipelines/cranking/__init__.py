"""Reads a cranking record: channels, cranking stretch, sync, crank angle, and what each cylinder does to it."""
