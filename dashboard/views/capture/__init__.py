"""The page `capture`."""
