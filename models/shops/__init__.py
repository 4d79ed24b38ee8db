"""Shops beside each other, where several share a warehouse."""
