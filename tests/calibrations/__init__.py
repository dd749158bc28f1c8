"""The store of calibrations."""
