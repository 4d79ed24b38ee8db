"""Statistics that know nothing of the trade: intervals, pooling, regression, survival, control charts."""
