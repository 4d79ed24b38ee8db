"""The page `thresholds`."""
