"""The page `known_good`."""
