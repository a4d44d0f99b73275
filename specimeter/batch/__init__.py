"""Many photographs in one run: on all processors of one machine, or on many machines through a scheduler that is there."""
