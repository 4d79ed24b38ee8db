"""What the warehouse's rows mean: normal spread, oddness, thresholds, skill, comebacks.

Nothing here knows DuckDB or Streamlit: arrays or polars frames in, frozen results out.
"""
