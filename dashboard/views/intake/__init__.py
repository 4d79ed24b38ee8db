"""The page `intake`."""
