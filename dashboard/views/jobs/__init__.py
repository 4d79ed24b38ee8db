"""The page `jobs`."""
