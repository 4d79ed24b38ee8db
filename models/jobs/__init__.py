"""What became of the repair orders: scope use and comebacks."""
