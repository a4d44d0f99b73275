"""Limits that the user entered, and decisions under uncertainty."""
