"""The shops of a group beside each other, for whoever trains or runs several."""
