"""The examined area and the outlines of what was found in it."""
