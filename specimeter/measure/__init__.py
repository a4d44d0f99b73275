"""Sizes on the developed surface, each with its uncertainty."""
