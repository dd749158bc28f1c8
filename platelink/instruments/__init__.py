"""Instruments beside the board."""
