"""The page `add`."""
