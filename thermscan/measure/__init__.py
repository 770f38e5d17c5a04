"""Counts to temperature, place on the board, place in time."""
