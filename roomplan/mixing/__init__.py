"""A plan resolved against its files: components, buses, render and figures."""
