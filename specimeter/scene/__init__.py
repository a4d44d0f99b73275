"""Random photographs of specimens with exact truth, for demos, tests, validation and training."""
