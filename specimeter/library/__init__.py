"""The trainer's library: reference pictures that are found, explained, published, practised on and agreed upon."""
