"""What the rows say: their shapes, and the log put into words once."""
