"""How much stone to mix for a scanned dental impression."""

__version__ = "0.1.0"
