"""The version of the program, for whoever states it."""

__version__ = "0.1.0"
