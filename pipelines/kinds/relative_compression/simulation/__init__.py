"""A physical simulation of a cranked engine, its starter, battery and ignition."""
