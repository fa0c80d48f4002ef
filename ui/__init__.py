"""The desk: shows and asks; all computing is in ``audit``."""
