"""Finds the faulty part of a powered electronics board from thermal recordings."""

__version__ = "0.1.0"
__all__ = ["__version__"]
