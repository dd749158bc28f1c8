"""Simulated exposure unit: the firmware's host board and the plant around it."""
