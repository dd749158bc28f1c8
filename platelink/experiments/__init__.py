"""Experiments as a record: what was exposed, read and found, by whom and when."""
