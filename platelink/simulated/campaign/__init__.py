"""Whole exposures and plates under random faults, judged by someone who sees the plant itself."""
