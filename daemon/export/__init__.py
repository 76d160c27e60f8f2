"""Readings out of a journal as CSV or Parquet, and the same read back.

Nothing here decides what a reading means.
"""
