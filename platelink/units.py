"""Unit names and conversions: kPa/inHg/mbar, °C/°F, mW/cm² and mJ/cm². Pure."""
