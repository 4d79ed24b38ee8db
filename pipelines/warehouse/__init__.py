"""The warehouse: one door, its schema, and what people decide."""
