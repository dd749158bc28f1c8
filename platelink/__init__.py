"""platelink: exposures that end at their UV dose, and a record that can be audited."""

__version__ = "0.1.0"
