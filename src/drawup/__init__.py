"""Drawup: one injectable medicine from a written order to a safe, recorded injection."""

__version__ = "0.1.0"
