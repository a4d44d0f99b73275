"""How the learned segmenter was made: its data, network, training and comparison. Needs torch; using the result does not."""
