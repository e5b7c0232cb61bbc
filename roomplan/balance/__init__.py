"""Solving for what a plan is to reach: send levels, section levels and trim."""
