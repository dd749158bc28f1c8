"""Settings of a unit: one TOML file, checked as a whole, never written."""
