"""The page `spread`."""
