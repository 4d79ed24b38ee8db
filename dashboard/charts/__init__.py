"""Frames to charts. Every axis has a title with its unit; colours and their meaning come from the palette."""
