"""Files that people write in TOML: strict sections, and all that is wrong with a file at once."""
