"""Calibrations as a record: what was read, the line found, who approved it."""
