"""Responses from recordings: sweeps and what a room makes of them, claps and other bangs (numpy only)."""
