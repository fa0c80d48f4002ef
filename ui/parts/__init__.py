"""Pieces that more than one page uses."""
