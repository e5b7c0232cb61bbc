"""Solving for what a plan is to reach: balance (send levels, section levels, trim)."""
