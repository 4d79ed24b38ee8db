"""The page `week`."""
