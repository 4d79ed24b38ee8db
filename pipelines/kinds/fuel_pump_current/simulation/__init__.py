"""The kind's own simulation, for the demo: invented pumps, labelled as invented."""
