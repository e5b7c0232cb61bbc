"""Files measured: responses, loudness, and the levels of a noise."""
