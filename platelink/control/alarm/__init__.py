"""Alarms as in ISA-18.2 (IEC 62682), and those that a unit has. Pure."""
