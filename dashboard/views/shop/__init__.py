"""The page `shop`."""
