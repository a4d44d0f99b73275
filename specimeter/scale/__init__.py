"""Pixels to millimetres: card or length, the camera, the surface, the budget."""
