"""Current of an electric fuel pump, by a clamp around (or a shunt in) the loop at its fuse."""
