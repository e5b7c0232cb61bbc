"""JSON schemas of documents; see `catalogue`."""
