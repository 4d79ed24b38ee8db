"""The page `todo`."""
