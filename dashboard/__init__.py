"""Streamlit pages over the warehouse. Pages hold no SQL and no arithmetic."""
