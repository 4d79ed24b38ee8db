"""The page `technicians`."""
