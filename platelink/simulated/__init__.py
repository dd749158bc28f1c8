"""Simulated units: harness, demonstration, benches."""
