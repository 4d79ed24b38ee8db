"""The shop in words and figures: the report and one week of it."""
