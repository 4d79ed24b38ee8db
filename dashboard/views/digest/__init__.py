"""The page `digest`."""
