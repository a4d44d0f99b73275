"""Sizes on the developed surface, each with its uncertainty."""

MOST_FEATURES = 10_000  # of one specimen: its report has a line for each, and a face with more shows texture, not imperfections
